"""Day and night: colours and fonts of our own, told apart without colour too."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from PyQt6.QtGui import QColor, QFont, QFontDatabase

__all__ = ["APPEARANCES", "Appearance", "font", "load_fonts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Appearance:
    """One appearance. Words have a contrast of 4.5 : 1 on their ground at the least, lines 3 : 1;
    the pens are told apart by eyes that see no red, no green or no blue."""

    name: str
    ground: str
    panel: str
    paper: str
    ink: str
    faint: str
    """Second-rank words."""
    rule: str
    """Lines between panels and of the grid."""
    pull: str
    """The ink of the paper: it is the pen the car was built for."""
    speed: str
    power: str
    other: str
    land: str
    """Profile and curves of the line."""
    train: str
    """On the profile."""
    mark: str
    good: str
    warn: str
    warn_ink: str
    loud: str
    """Ground of what must be seen."""
    loud_text: str
    """The same as words on a panel."""
    loud_ink: str
    typing: str
    typing_ink: str

    def pen(self, quantity: str) -> QColor:
        """Colour of a pen."""
        known = {"pull": self.pull, "speed": self.speed, "power": self.power}
        return QColor(known.get(quantity, self.other))


APPEARANCES: Final = {
    "day": Appearance(
        name="day",
        ground="#E9E4D8",
        panel="#F5F1E8",
        paper="#FCFAF4",
        ink="#1C1A17",
        faint="#5A544A",
        rule="#CFC7B6",
        pull="#1C1A17",
        speed="#B0124F",
        power="#6A6000",
        other="#4F3DC4",
        land="#8A5A34",
        train="#3F6468",
        mark="#857C6B",
        good="#1C6B36",
        warn="#F2C14B",
        warn_ink="#1C1A17",
        loud="#A3121F",
        loud_text="#A3121F",
        loud_ink="#FFFFFF",
        typing="#1F4E79",
        typing_ink="#FFFFFF",
    ),
    "night": Appearance(
        name="night",
        ground="#07090B",
        panel="#0F1316",
        paper="#0A0D0F",
        ink="#D9D0BC",
        faint="#968F80",
        rule="#2A3035",
        pull="#D9D0BC",
        speed="#F07FB0",
        power="#A79B1E",
        other="#8C8CF5",
        land="#B98A63",
        train="#7FA3A8",
        mark="#746E62",
        good="#6FBF84",
        warn="#A97F1D",
        warn_ink="#0A0D0F",
        loud="#8E1420",
        loud_text="#FF8E80",
        loud_ink="#FFEDE6",
        typing="#21506F",
        typing_ink="#F2EBDD",
    ),
}

_FAMILY: Final = "DejaVu Sans"
_FILES: Final = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")


def load_fonts() -> str:
    """Load the window's font from the files that ship with matplotlib; returns the family.

    A bare machine has no font that Qt finds without a screen, and text would be boxes.
    """
    folder = _font_folder()
    if folder is not None:
        for name in _FILES:
            if (folder / name).is_file():
                QFontDatabase.addApplicationFont(str(folder / name))
    return _FAMILY if _FAMILY in QFontDatabase.families() else QFont().defaultFamily()


def _font_folder() -> Path | None:
    spec = find_spec("matplotlib")
    if spec is None or spec.origin is None:
        return None
    beside = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    if beside.is_dir():
        return beside
    import matplotlib as mpl  # only where a distribution keeps the data elsewhere

    return Path(mpl.get_data_path()) / "fonts" / "ttf"


def font(pixels: float, *, bold: bool = False) -> QFont:
    """The window's font at a height in pixels."""
    made = QFont(_FAMILY)
    made.setPixelSize(max(6, round(pixels)))
    made.setBold(bold)
    return made
