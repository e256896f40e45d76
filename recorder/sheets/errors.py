"""What is wrong with a sheet, in one line a problem."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["SheetError"]


class SheetError(ValueError):
    """A sheet that cannot be used.

    ``problems`` holds every problem found, each one line that names file, table and key, what
    was got and what is allowed. The error's text is the first, and how many more there are.
    """

    def __init__(self, problems: Sequence[str] | str) -> None:
        self.problems = (problems,) if isinstance(problems, str) else tuple(problems)
        more = len(self.problems) - 1
        text = self.problems[0] if self.problems else "sheet cannot be used"
        super().__init__(f"{text} (and {more} more)" if more > 0 else text)
