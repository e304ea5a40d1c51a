"""Every exception that the program raises on purpose.

Exit code 2: the command or the file is wrong.  Exit code 1: the work could not be done.
A message is one line that says what came, what is needed and what to do; quantities in it are in SI, and are
put into a person's units where it is printed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import NamedTuple

from lapwright.units import METRIC, Text, Units, told


class LapwrightError(Exception):
    """Base of all: `code` for scripts, `key` names the place, `exit_code` for the shell.

    With `parts` the text is the template of a `Text`; `units` are those in which it says its quantities.
    """

    exit_code = 1
    code = "failed"
    units = METRIC

    def __init__(
        self,
        text: str | Text,
        *,
        key: str | None = None,
        code: str | None = None,
        **parts: str | float | Text,
    ) -> None:
        self.text = Text(text, **parts) if parts and isinstance(text, str) else text
        super().__init__(self.text)
        self.key = key
        if code is not None:
            self.code = code

    @property
    def message(self) -> str:
        """What came, what is needed and what to do, in `units`."""
        return told(self.text, self.units)

    def __str__(self) -> str:
        return self.message


@contextmanager
def troubles_in(units: Units) -> Iterator[None]:
    """Say the quantities of an error in a person's units."""
    try:
        yield
    except LapwrightError as trouble:
        trouble.units = units
        raise


class CommandError(LapwrightError):
    """The command line is wrong."""

    exit_code = 2
    code = "command"


class Fault(NamedTuple):
    """One fault of a study file: `key` such as "plates.A.disc", `message` the rest of the line."""

    key: str
    message: str
    code: str = "value"

    def __str__(self) -> str:
        return f"{self.key}: {self.message}" if self.key else self.message


class StudyError(LapwrightError):
    """A study file cannot be understood; holds all its faults at once."""

    exit_code = 2
    code = "study"

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        first = self.faults[0]
        super().__init__("\n".join(str(f) for f in self.faults), key=first.key, code=first.code)


class CannotDoError(LapwrightError):
    """The file is right, but the work cannot be done (full disk, unwritable folder, ...)."""

    code = "cannot"


class RunFileError(LapwrightError):
    """A run file is truncated, foreign or of another schema."""

    exit_code = 2
    code = "run_file"


class SurfaceFileError(LapwrightError):
    """A height map cannot be read or written, or does not fit the plate it is laid on."""

    exit_code = 2
    code = "surface_file"


class NoOverlapError(LapwrightError):
    """Top and bottom do not lie on each other at some place in the stroke."""

    code = "no_overlap"


class SettleError(LapwrightError):
    """The top did not settle; says where, and how far the solver got."""

    code = "settle"


class TippedError(LapwrightError):
    """The load's line leaves the support: the top tips off."""

    code = "tipped"


class DefectiveError(LapwrightError):
    """What a stroke leaves alone would grow with time: it has no drift and no residue to tell."""

    code = "defective"


def at_least_one(what: str, value: object) -> None:
    """Refuse what is no number of processes or cores; one of numpy is.

    Raises
    ------
    CommandError
        It is no whole number, or less than one.

    """
    number = 0 if isinstance(value, bool) else getattr(value, "__index__", int)()
    if number < 1:
        raise CommandError(f"{what}: {value!r} cannot be: write 1, 2, ...", key=what)
