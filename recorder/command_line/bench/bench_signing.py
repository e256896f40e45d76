"""``testcar bench key`` and ``bench sign``: a laboratory's key, and certificates signed by it."""

from __future__ import annotations

import argparse
import getpass
import os
import sys
from pathlib import Path
from typing import Any, Final

from calibration.certificates.certificate import (
    CertificateError,
    load_document,
    parse_certificate,
    read_certificate_file,
)
from calibration.certificates.private_key import make_private_key, open_private_key
from calibration.certificates.signature import (
    SUFFIX,
    check_signature,
    key_of,
    public_text,
    read_public_key,
    read_small_file,
    sign_document,
)
from calibration.certificates.signing_key import PASSPHRASE
from calibration.files.durable import write_new
from recorder.command_line.support.errors import UsageError
from recorder.run.values.certificate_standing import PROVES, Standing, readings_finding

__all__ = ["add_key", "add_sign", "add_signed", "signed_words"]

_KEY_EPILOG: Final = f"""\
Examples:
  testcar bench key --out lab.key
  testcar bench key --out car.key --no-passphrase

The private key is kept encrypted (PKCS #8, mode 0600): whoever holds it and its passphrase signs in
the laboratory's name. The public key lies beside it as .pub; give that one away, and let whoever
trusts it compare the fingerprint with one they had from you in another way. The passphrase is asked
for, or taken from the environment variable {PASSPHRASE}.

A test car signs its runs, too: signing_key = "car.key" in [recording] of the car sheet. Nobody is
there at the stop to type a passphrase, so such a key may be made without one: then whoever can
read the file signs in the car's name. Keep it on the recording computer alone, and car.pub
elsewhere.
"""
_SIGN_EPILOG: Final = f"""\
Example:
  testcar bench sign cell.json --key lab.key

Signed are the canonical bytes of the certificate, the ones its digest is made of, by Ed25519 (RFC
8032). {PROVES}
"""


def add_key(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add ``bench key``."""
    key = verbs.add_parser(
        "key",
        help="Make a key by which a laboratory signs its certificates, or a car its runs.",
        description="Make a key by which a laboratory signs its certificates, or a car its runs.",
        epilog=_KEY_EPILOG,
    )
    key.add_argument(
        "--out", metavar="LAB.key", required=True,
        help="Where to write the private key; LAB.pub comes beside it, also beside a key that "
        "has none. No file is overwritten.",
    )  # fmt: skip
    key.add_argument(
        "--no-passphrase", action="store_true",
        help="Do not lock the private key: for a car's, which signs with nobody there. Without it, "
        "the key is locked.",
    )  # fmt: skip
    key.set_defaults(run=_run_key)


def add_sign(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add ``bench sign``."""
    sign = verbs.add_parser(
        "sign",
        help="Sign a certificate by a laboratory's key.",
        description="Sign the certificate of a load cell, a wheel or a clock by a laboratory's "
        "key.",
        epilog=_SIGN_EPILOG,
    )
    sign.add_argument("certificate", metavar="CERT", help="The certificate to sign.")
    sign.add_argument(
        "--key", metavar="LAB.key", required=True, help="The laboratory's private key."
    )
    sign.add_argument(
        "--out", metavar="SIG",
        help=f"Where to write the signature; by default CERT{SUFFIX}, where it is looked for. No "
        "file is overwritten.",
    )  # fmt: skip
    sign.set_defaults(run=_run_sign)


def add_signed(verify: argparse.ArgumentParser) -> None:
    """Add to a ``verify`` what a signature is checked by."""
    verify.add_argument(
        "--key", metavar="LAB.pub",
        help="Check the signature, too, by this public key of a laboratory. Without it, the "
        "signature is not checked.",
    )  # fmt: skip
    verify.add_argument(
        "--signature", metavar="SIG",
        help=f"With --key: the signature to check; by default CERT{SUFFIX}.",
    )  # fmt: skip


def signed_words(args: argparse.Namespace, document: dict[str, Any]) -> str:
    """In words, by which key a certificate is signed; empty where no key is given.

    Raises
    ------
    UsageError
        A signature, and no key.
    CertificateError
        Signature or key does not read, or the signature does not hold.
    OSError
        A file cannot be read.
    """
    if args.key is None:
        if args.signature is not None:
            msg = "--signature needs --key LAB.pub, too: whose signature should it be?"
            raise UsageError(msg)
        return ""
    key = Path(args.key)
    held = read_public_key(read_small_file(key), source=args.key)
    signature = args.signature or f"{args.certificate}{SUFFIX}"
    text = read_small_file(Path(signature))
    check_signature(document, text, {key.name: held}, source=signature)
    return f"signed by {key.name}, key {held.fingerprint}"


def _run_key(args: argparse.Namespace) -> int:
    path = Path(args.out)
    public = path.with_suffix(".pub")
    if public == path:
        msg = f"--out {path}: .pub is for the public key beside it; call it {path.stem}.key"
        raise UsageError(msg)
    half = path.exists() and not public.exists()
    for taken in (path, public):
        if taken.exists() and not half:
            msg = f"{taken}: there already; a key is never overwritten, choose another name"
            raise UsageError(msg)
    locked = not args.no_passphrase
    if half:
        # Its making was cut off between the two files.
        word = _passphrase(f"passphrase of {path}") if locked else ""
        text = read_small_file(path)
        key = open_private_key(text, word, source=args.out, may_be_bare=not locked)
    else:
        key, pem = make_private_key(
            _passphrase("new passphrase", again=True) if locked else None
        )
        write_new(path, pem, mode=0o600)
    held = key_of(key.public_key())
    write_new(public, public_text(held).encode(), mode=0o644)
    how = "encrypted" if locked else "NOT encrypted, its rights alone protect it"
    print(f"private key: {path}, {how}; keep it where nobody else reads it")
    print(f"public key: {public}")
    print(f"fingerprint: {held.fingerprint}")
    return 0


def _run_sign(args: argparse.Namespace) -> int:
    source = Path(args.certificate)
    out = Path(args.out) if args.out else source.with_name(source.name + SUFFIX)
    if out.exists():
        msg = f"{out}: there already; a signature is never overwritten, take it away first"
        raise UsageError(msg)
    parse_certificate(read_certificate_file(source), source=str(source))
    document = load_document(source)
    found = readings_finding(document)
    if found.standing is Standing.REFUSED:
        msg = f"{source}: not signed: {found.words}"
        raise CertificateError(msg)
    text = read_small_file(Path(args.key))
    key = open_private_key(text, _passphrase(f"passphrase of {args.key}"), source=args.key)
    write_new(out, sign_document(document, key).encode(), mode=0o644)
    print(f"{source}: {found.words}")
    print(f"signature: {out}")
    print(f"key: {key_of(key.public_key()).fingerprint}")
    return 0


def _passphrase(prompt: str, *, again: bool = False) -> str:
    """From the environment, or asked for without an echo.

    Raises
    ------
    UsageError
        There is neither a variable nor a person, or two answers differ.
    """
    if (given := os.environ.get(PASSPHRASE)) is not None:
        return given
    if not sys.stdin.isatty():
        msg = f"no terminal to ask for the passphrase; set {PASSPHRASE}"
        raise UsageError(msg)
    answer = getpass.getpass(f"{prompt}: ")
    if again and getpass.getpass("the same again: ") != answer:
        msg = "the two passphrases differ; nothing was made"
        raise UsageError(msg)
    return answer
