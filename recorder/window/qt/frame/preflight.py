"""Can a window open here? One line that names what is missing. Imports no Qt at the top."""

from __future__ import annotations

import ctypes.util
import os
import sys
from typing import Final

__all__ = ["NoScreenError", "check_screen", "draw_unseen", "has_screen", "library_words"]


_UNSEEN: Final = ("offscreen", "minimal")
"""Platforms of Qt that draw without a screen."""


class NoScreenError(OSError):
    """No window can be opened; the text says what to install or do."""


def has_screen() -> bool:
    """Whether a person would see a window: on Windows and macOS the desktop is always there, with
    X11 and Wayland the environment names it."""
    if os.environ.get("QT_QPA_PLATFORM", "").startswith(_UNSEEN):
        return False
    if sys.platform in ("win32", "darwin"):
        return True
    return any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY"))


def draw_unseen() -> None:
    """Where there is no screen, draw without one, for a picture; before Qt is first used."""
    if not has_screen():
        os.environ["QT_QPA_PLATFORM"] = "offscreen"


def check_screen() -> None:
    """Raise :class:`NoScreenError` when Qt, its libraries or a screen are missing."""
    try:
        import PyQt6.QtWidgets  # noqa: F401 - only whether it loads
    except ImportError as error:
        raise NoScreenError(library_words(str(error))) from error
    platform = os.environ.get("QT_QPA_PLATFORM", "")
    if sys.platform in ("win32", "darwin") or platform.startswith(_UNSEEN):
        return
    wayland = bool(os.environ.get("WAYLAND_DISPLAY"))
    if not has_screen():
        msg = (
            "no screen: neither DISPLAY nor WAYLAND_DISPLAY is set; testcar record --headless"
            " records without a window, testcar window --png OUT.png makes a picture of one"
        )
        raise NoScreenError(msg)
    uses_xcb = not wayland or platform.startswith("xcb")
    if uses_xcb and ctypes.util.find_library("xcb-cursor") is None:
        msg = "the window needs the library libxcb-cursor: on Debian install libxcb-cursor0"
        raise NoScreenError(msg)


def library_words(text: str) -> str:
    """What to install for the library that the loader's error names."""
    packages = {"libEGL": "libegl1", "libGL.so": "libgl1", "libxkbcommon": "libxkbcommon0",
                "libfontconfig": "libfontconfig1", "libdbus": "libdbus-1-3",
                "libglib": "libglib2.0-0"}  # fmt: skip
    for library, package in packages.items():
        if library in text:
            return f"the window needs the library {library}: on Debian install {package}"
    return f"the window needs PyQt6, which does not load here ({text})"
