"""The private key that a car signs its runs by: opened only where nobody else can read it."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING, Final

from calibration.certificates.private_key import is_locked, open_private_key
from calibration.certificates.signature import SignatureError, read_small_file

if TYPE_CHECKING:
    from pathlib import Path

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

__all__ = ["PASSPHRASE", "load_signing_key"]

PASSPHRASE: Final = "TESTCAR_KEY_PASSPHRASE"
"""Environment variable that holds a key's passphrase."""


def load_signing_key(path: Path, *, passphrase: str | None = None) -> Ed25519PrivateKey:
    """Open a private key; a passphrase that is not given is taken from the environment.

    Raises
    ------
    SignatureError
        Others can read it, it needs a passphrase that is not there, or it does not open.
    OSError
        It cannot be read.
    """
    held = path.stat()
    if not stat.S_ISREG(held.st_mode):
        msg = f"{path}: not a file; a private key is wanted, as testcar bench key makes it"
        raise SignatureError(msg)
    if os.name == "posix" and stat.S_IMODE(held.st_mode) & 0o077:
        msg = (
            f"{path}: others can read this private key (mode {stat.S_IMODE(held.st_mode):04o}); it"
            f" must be yours alone: chmod 600 {path}, and make a new one if somebody may have it"
        )
        raise SignatureError(msg)
    text = read_small_file(path)
    given = os.environ.get(PASSPHRASE) if passphrase is None else passphrase
    if is_locked(text) and given is None:
        msg = (
            f"{path}: needs its passphrase, in the environment variable {PASSPHRASE}; for a key"
            " that signs unattended: testcar bench key --no-passphrase"
        )
        raise SignatureError(msg)
    return open_private_key(text, given or "", source=str(path), may_be_bare=True)
