"""What every child process of ours runs first, as a script: a safe place to import from.

``python -P child_main.py MODULE WORDS…`` does what ``python -m MODULE WORDS…`` does, but
nothing in the current folder is ever imported: a crew may keep a ``queue.py`` there. The place
this very file was loaded from, be it site-packages or a checkout, comes behind Python's own
library and before all else, so that parent and child are of one version.

Nothing but Python's own library is imported here: until :func:`set_path` is done, ours may not
be found, or another's in its place.
"""

import os
import runpy
import sys
from pathlib import Path

__all__ = ["main", "set_path"]


def set_path(path: list[str], home: str, library: str) -> None:
    """Put ``home`` behind the last entry of Python's own ``library``, if it is not there."""
    if home in path:
        return
    own = [i for i, entry in enumerate(path) if _of_library(entry, library)]
    path.insert(max(own, default=-1) + 1, home)


def _of_library(entry: str, library: str) -> bool:
    inside = os.path.normcase(entry).startswith(os.path.normcase(library))
    return inside and "-packages" not in entry


def main() -> None:
    """Run the module named first, with the words behind it."""
    home = Path(__file__).resolve().parents[2]
    set_path(sys.path, str(home), str(Path(os.__file__).parent))
    del sys.argv[0]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
