"""Which code this is: the release worked towards, and the commit it was made from.

``0.1.0.dev0+g0123456789ab`` is that commit; ``….dirty`` has changes on top that no commit
holds; ``0.1.0.dev0+unknown`` is a copy that nothing tells the commit of. It is written into
every run file, certificate and result, so the checkout is asked anew by every process: an
editable install must not go on naming the commit it was installed from.

The build loads this file by its path, before anything is installed: only the standard library
is imported, and nothing of ours.
"""

from __future__ import annotations

import os
import re
import subprocess
from datetime import date
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Final

__all__ = ["BUILT_ON", "RELEASE", "software", "version", "version_of"]

RELEASE: Final = "0.1.0.dev0"
"""The release worked towards; set by hand at a release, and to the next one after it."""
BUILT_ON: Final = date(2026, 11, 1)
"""No clock that this version runs by can truly be earlier; moved on at a release."""
COMMIT_OF_ARCHIVE: Final = "$Format:%H$"
"""Filled in by ``git archive`` (``.gitattributes``), so that a downloaded copy knows it too."""
NAME: Final = "testcar"
COMMIT: Final = re.compile(r"[0-9a-f]{40}|[0-9a-f]{64}")
COMMIT_DIGITS: Final = 12
"""Enough for a million commits without two of one name."""
GIT_LIMIT_S: Final = 10.0
"""A network disk that does not answer must not hold up a recording's start for longer."""


def software() -> str:
    """Name and version, as written into run files, certificates and reports."""
    return f"{NAME} {version()}"


@cache
def version() -> str:
    """Version of the code this module belongs to; asked once a process."""
    return version_of(Path(__file__).resolve().parents[2], COMMIT_OF_ARCHIVE)


def version_of(root: Path, archive: str = "") -> str:
    """Version of the code in a folder.

    Parameters
    ----------
    root
        The folder that holds the packages: a checkout, an unpacked source distribution or
        archive, or the folder a wheel was installed into.
    archive
        Commit that ``git archive`` wrote into the copy; anything else counts for nothing.
    """
    for found in metadata.distributions(name=NAME, path=[str(root)]):
        return found.version  # the packages lie beside their metadata: an installed wheel
    if (root / ".git").exists():  # a file in a work tree of its own
        return f"{RELEASE}+{_commit_checked_out(root) or 'unknown'}"
    if COMMIT.fullmatch(archive):
        return f"{RELEASE}+g{archive[:COMMIT_DIGITS]}"
    return _version_of_source_distribution(root) or f"{RELEASE}+unknown"


def _commit_checked_out(root: Path) -> str:
    """``g<commit>`` or ``g<commit>.dirty``; empty where git is missing or will not say."""
    # A hook of git's own sets these to a repository that need not be ours.
    environment = {k: v for k, v in os.environ.items() if not k.startswith("GIT_")}
    environment["GIT_OPTIONAL_LOCKS"] = "0"  # a look must not write into the checkout
    words = [
        "git", "-C", str(root),
        # The checkout may belong to another user; its code is running already.
        "-c", "safe.directory=*", "-c", "core.fsmonitor=false",
        # Commit and changes in one look. No tag takes part: a shallow clone has none and must
        # get the same version.
        "status", "--porcelain=v2", "--branch", "--untracked-files=no", "--no-renames",
    ]  # fmt: skip
    try:
        answer = subprocess.run(
            words,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",  # names of changed files, which are not looked at
            timeout=GIT_LIMIT_S,
            check=True,
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),  # Windows only
        )
    except (OSError, subprocess.SubprocessError):
        return ""  # no git, or no answer: told as unknown
    head, _, rest = answer.stdout.partition("\n")
    commit = head.removeprefix("# branch.oid ")
    if not COMMIT.fullmatch(commit):
        return ""  # "(initial)": nothing is committed yet
    changed = any(not line.startswith("#") for line in rest.splitlines())
    return f"g{commit[:COMMIT_DIGITS]}{'.dirty' if changed else ''}"


def _version_of_source_distribution(root: Path) -> str:
    """What the build wrote into ``PKG-INFO``; empty where there is none of ours."""
    try:
        head = (root / "PKG-INFO").read_text("utf-8").partition("\n\n")[0]
    except (OSError, UnicodeDecodeError):
        return ""
    fields = dict(line.partition(": ")[::2] for line in head.splitlines())
    return fields.get("Version", "") if fields.get("Name") == NAME else ""
