"""What may stand on a line of a screen: an error in words, without the numbers of the system."""

from __future__ import annotations

from pathlib import Path

import pytest

from calibration.quantities.printable import error_line


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (
            FileNotFoundError(2, "No such file or directory", "car.toml"),
            "car.toml: No such file",
        ),
        (OSError(28, "No space left on device"), "No space left on device"),
        (OSError("no recording is running here"), "no recording is running here"),
        (ValueError("two\n  lines"), "two lines"),
        (ValueError(), "ValueError"),
    ],
)
def test_an_error_is_one_line_without_a_number(error: Exception, words: str) -> None:
    assert error_line(error).startswith(words)
    assert "Errno" not in error_line(error)


def test_an_error_of_the_system_names_its_file(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="Errno") as met:
        (tmp_path / "none").read_bytes()
    assert error_line(met.value) == f"{tmp_path / 'none'}: No such file or directory"


def test_a_letter_that_is_no_text_is_told_with_what_to_do() -> None:
    with pytest.raises(UnicodeEncodeError) as caught:
        "run \udcff.h5".encode()
    told = error_line(caught.value)
    assert told == (
        "a name or a word has a letter that is no UTF-8 text ('\\udcff'): change it"
    )
