"""A problem of the data that a person can mend: what, where, and what to do. Never a traceback."""

from __future__ import annotations


class DataProblem(Exception):
    """The run cannot go on with this data.

    what: one sentence. file: name below incoming/. row: number as an editor or a spreadsheet shows it (header = 1).
    remedy: what to do, in words. `str()` gives all of it, ready to print.
    """

    def __init__(self, what: str, *, file: str | None = None, row: int | None = None, remedy: str = "") -> None:
        self.what, self.file, self.row, self.remedy = what, file, row, remedy
        super().__init__(what)

    def __str__(self) -> str:
        place = f"{self.file}: " if self.file else ""
        if self.file and self.row is not None:
            place = f"{self.file}, row {self.row}: "
        return place + self.what + (f"\n  What to do: {self.remedy}" if self.remedy else "")


class AccountsError(DataProblem):
    """Rows in do not equal rows used plus rows set aside: a fault of the program, and the run stops."""
