"""Fields that may be said in text, and the faults of what was said, gathered and told at once.

A frozen dataclass has its fields made by `Said`; each knows how its text is read, within which limits, and
what is usual.  Constructors take text with a unit or a number in SI; the reader of study files asks the same
fields, and refuses a bare number.  So a reader, a limit and a default each stand once, beside the quantity.

Faults of a study file, gathered so that all are told at once, each in one line.
"""

from __future__ import annotations

import dataclasses
import inspect
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cached_property
from numbers import Integral, Real
from types import NoneType, UnionType
from typing import Any, Generic, Self, TypeVar, cast, get_args, get_origin

from lapwright.errors import Fault, StudyError
from lapwright.units import METRIC, Text, Units, joined, told

MOST_TOLD = 40  # nobody reads more; the rest is counted


class RefusedError(ValueError):
    """A value that cannot be taken; the text is the fault's line without its key."""

    def __init__(self, message: str, code: str = "value") -> None:
        super().__init__(message)
        self.message = message
        self.code = code


class Faults:
    """The faults found so far, in the order in which they were met, told in a person's `units`."""

    def __init__(self, units: Units = METRIC) -> None:
        self.units = units
        self.found: list[Fault] = []
        self.untold = 0

    def add(self, key: str, message: str | Text, code: str = "value") -> None:
        """Note one fault; beyond `MOST_TOLD` they are only counted."""
        if len(self.found) >= MOST_TOLD:
            self.untold += 1
            return
        fault = Fault(one_line(key), one_line(told(message, self.units)), code)
        if fault not in self.found:
            self.found.append(fault)

    @property
    def full(self) -> bool:
        """True when further faults would not be told, so that nobody need look for them."""
        return len(self.found) >= MOST_TOLD

    def check(self) -> None:
        """Raise what was found.

        Raises
        ------
        StudyError
            When there is any fault.

        """
        if not self.found:
            return
        faults = list(self.found)
        if self.untold:
            faults.append(Fault("", f"and {self.untold} more; mend these first", faults[0].code))
        raise StudyError(faults)


def one_line(text: str) -> str:
    """The text without line breaks and control signs, which would split or hide a message."""
    return "".join(c if c.isprintable() else " " for c in text)


def shown(value: Any) -> str:
    """A value as a message quotes it: 'text', or a number bare; never long, never more than a line."""
    if isinstance(value, str):
        text = one_line(value)
        return f"'{text}'" if len(text) <= 60 else f"'{text[:57]}...'"
    if value is None:
        return "None"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**15 else "a number of very many digits"
    if isinstance(value, float):
        return f"{value:.15g}"
    if isinstance(value, dict):
        names = [shown_key(name) for name in list(value)[:4]]
        return "{ " + ", ".join(f"{n} = ..." for n in names) + " }" if names else "{ }"
    if isinstance(value, list):
        return f"a list of {len(value)}" if value else "an empty list"
    return f"'{str(value)[:60]}'"


def shown_key(name: str) -> str:
    """A key as a message quotes it."""
    name = one_line(name)
    return name if len(name) <= 40 else f"{name[:37]}..."


def refused(value: Any, why: str, code: str = "value") -> RefusedError:
    """The refusal of a value, which it begins with: `why` is the rest of the line."""
    return RefusedError(f"{shown(value)} {why}", code)


def listed(words: Iterable[str], last: str = "or", most: int = 12) -> str:
    """List in words: "A, B or C"; of more than `most` the first ones."""
    words = [shown_key(word) for word in words]
    if len(words) > most:
        words = [*words[: most - 1], "..."]
    return joined(words, last)


def nearest(word: str, words: Iterable[str]) -> str | None:
    """The likeliest of `words` that somebody meant who typed `word`, or None."""
    from difflib import get_close_matches

    if len(word) > 60:
        return None

    def bare(text: str) -> str:
        return text.lower().replace("_", "").replace("-", "").replace(" ", "")

    plain = {bare(one): one for one in words if len(one) <= 60}
    close = get_close_matches(bare(word), list(plain), n=1, cutoff=0.6)
    return plain[close[0]] if close else None


def meant(word: Any, words: Iterable[str], instead: str) -> str:
    """The end of a refusal: the likeliest of `words`, or what is said `instead` where there is none."""
    close = nearest(word, words) if isinstance(word, str) else None
    return f"did you mean {close}?" if close else instead


T = TypeVar("T")
Size = float | str  # a number in SI, or text with a unit
_NONE: Any = object()


class Said(Generic[T]):
    """A field of a frozen dataclass that text may be given for.

    Parameters
    ----------
    reader : callable
        From text (or a list, or a table) to the value; raises `RefusedError`.  Its attribute `typed`, where
        it has one, is the way back.
    usual : str, optional
        The default, as a person would type it.
    default
        The default where it is no text; `dict` for an empty table.
    bare : bool
        Whether a number is taken, in SI; not where a share or a length may stand.
    example : str
        What to write where it is missing and cannot be, as it stands in a file.

    """

    def __init__(
        self,
        reader: Callable[[Any], T],
        usual: str | None = None,
        default: Any = _NONE,
        *,
        bare: bool = True,
        example: str = "",
    ) -> None:
        self.reader = reader
        self.usual = usual
        self.bare = bare
        self.example = example
        self.default = reader(usual) if usual is not None and default is _NONE else default
        self.name = ""
        self.owner: type = object

    def __set_name__(self, owner: type, name: str) -> None:
        self.name, self.owner = name, owner

    @cached_property
    def kinds(self) -> tuple[type, ...]:
        """Which kinds of value the field holds, by what its annotation says."""
        said = eval(self.owner.__annotations__[self.name], vars(sys.modules[self.owner.__module__]))
        (said,) = get_args(said)
        some = get_args(said) if isinstance(said, UnionType) else (said,)
        kinds = [Mapping if get_origin(one) is dict else get_origin(one) or one for one in some]
        return tuple(kinds)

    def __get__(self, instance: object | None, owner: type) -> T:
        if instance is not None:
            found: T = instance.__dict__[self.name]  # asked thousands of times in a run: no call
            return found
        if self.default is dict:
            return cast(T, self)  # each object gets a table of its own
        if self.default is _NONE:
            raise AttributeError(self.name)  # to dataclasses: it has no default
        return self.default

    def __set__(self, instance: object, value: Any) -> None:
        if value is self:
            value = {}
        if type(value) is not float or not self.bare or float not in self.kinds:
            value = self.taken(type(instance).__name__, value)
        instance.__dict__[self.name] = value

    def taken(self, owner: str, value: Any) -> Any:
        """A value as a constructor takes it: text read, a number as it stands."""
        typed, value = getattr(self.reader, "typed", None), own_number(value)
        try:
            if isinstance(value, str | list | Mapping) or (
                isinstance(value, bool)
                if self.bare and typed is not None
                else not self.bare and isinstance(value, float | int)
            ):
                return self.reader(value)
            if isinstance(value, tuple) and any(isinstance(part, str) for part in value):
                parts = (part if isinstance(part, str) else typed_of(typed, part) for part in value)
                return self.reader(list(parts))
        except RefusedError as trouble:
            fault = Fault(f"{owner}.{self.name}", trouble.message, trouble.code)
            raise StudyError([fault]) from None
        kinds = () if value is self.default else self.kinds
        whole = isinstance(value, int) and float in kinds
        if whole and typed is not None:
            value = float(value)
        if kinds and not whole and not isinstance(value, kinds):
            takes = listed([*(one.__name__ for one in kinds if one is not NoneType), "text"])
            message = f"{shown(value)} is {type(value).__name__}, not {takes}"
            raise StudyError([Fault(f"{owner}.{self.name}", message, "type")])
        return value


def own_number(value: Any) -> Any:
    """A number of numpy as Python's own, which is how a file has it; what is no number, as it stands."""
    if type(value) in (bool, int, float) or not isinstance(value, Real):
        return value
    return int(value) if isinstance(value, Integral) else float(value)


def typed_of(typed: Callable[[Any], str] | None, value: Any) -> str:
    """The text of a number in SI; of one that has no way back, as it stands."""
    return str(value) if typed is None else typed(value)


def each(reader: Callable[[Any], T]) -> Callable[[Any], dict[str, T]]:
    """A reader of a table in which every entry is read alike; numbers in it are in SI."""

    def of_table(value: Any) -> dict[str, T]:
        if not isinstance(value, Mapping):
            raise refused(value, "is no table of names and values", "type")
        return {name: reader(one) if isinstance(one, str) else one for name, one in value.items()}

    return of_table


def said_of(of: type, name: str) -> Any:
    """The field `name` of a class, or of one that it is made from."""
    return next(vars(base)[name] for base in of.__mro__ if name in vars(base))


_names: dict[type, tuple[str, ...]] = {}


def said_names(of: type) -> tuple[str, ...]:
    """Names of the fields of a class that text may be given for, those of its bases first."""
    if of not in _names:
        every = {name: None for base in reversed(of.__mro__) for name in vars(base)}
        _names[of] = tuple(name for name in every if isinstance(said_of(of, name), Said))
    return _names[of]


def spelled(of: Any, *names: str) -> dict[str, Any]:
    """Fields of an object as a study file has them: those that are not the usual, as text that reads back.

    `names`: only these; all of them if none is said.
    """
    out = {}
    for name in names or said_names(type(of)):
        field, value = said_of(type(of), name), getattr(of, name)
        if value is not None and (field.default is _NONE or value != field.default):
            typed = getattr(field.reader, "typed", None)
            if typed is not None:
                value = [typed(p) for p in value] if isinstance(value, tuple) else typed(value)
            out[name] = spelled(value) if isinstance(value, Frozen) else value
    return out


def made(of: Callable[..., T]) -> Callable[[Any], T]:
    """A reader of a table that holds what the constructor of a class takes."""

    def of_table(value: Any) -> T:
        if not isinstance(value, Mapping):
            raise refused(value, f"is neither {of.__name__} nor a table of what it takes", "type")
        _known(of, value)
        return of(**value)

    return of_table


def no_such(of: str, name: str, takes: Sequence[str]) -> StudyError:
    """The fault of a name that something does not take."""
    hint = meant(name, takes, f"it has {listed(takes, 'and', most=30)}")
    return StudyError([Fault(f"{of}.{name}", f"{of} has no {name}: {hint}", "unknown_key")])


def _known(of: Callable[..., Any], names: Iterable[str]) -> None:
    """Refuse names that a constructor does not take."""
    takes = list(inspect.signature(of).parameters)
    for name in names:
        if name not in takes:
            raise no_such(of.__name__, name, takes)


def _complete(of: Callable[..., Any], given: int, named: Iterable[str]) -> None:
    """Refuse a call that leaves out what a constructor cannot do without."""
    takes = inspect.signature(of).parameters
    there = {*list(takes)[:given], *named}
    needed = [name for name, one in takes.items() if one.default is one.empty]
    for name in needed:
        if name not in there:
            message = f"is missing: {of.__name__} needs {listed(needed, 'and')}"
            raise StudyError([Fault(f"{of.__name__}.{name}", message, "missing")])


class Constructed(type):
    """Classes whose constructor refuses a name that it does not take like any other fault, in one line."""

    def __call__(cls, *given: Any, **named: Any) -> Any:
        """Make one.

        Raises
        ------
        StudyError
            A name that the constructor does not take, or one that it needs and was not given.

        """
        try:
            return super().__call__(*given, **named)
        except TypeError as caught:
            trouble = caught
        # Looked at only now: a call in which nothing is wrong costs nothing.
        _known(cls, named)
        _complete(cls, len(given), named)
        raise trouble

    @property
    def __signature__(cls) -> inspect.Signature:
        own = inspect.signature(cls.__init__)  # type: ignore[misc]
        return own.replace(parameters=list(own.parameters.values())[1:])


class Frozen(metaclass=Constructed):
    """Frozen data with a changed copy for every wish."""

    def _put(self, **values: Any) -> None:
        """Set fields while the object is made."""
        for name, value in values.items():
            object.__setattr__(self, name, value)

    def replace(self, **changes: Any) -> Self:
        """A copy with some fields changed, said as in the constructor.

        Parameters
        ----------
        **changes
            Fields by name; text with a unit, or a number in SI.

        Returns
        -------
        object
            Of the same class.

        Raises
        ------
        StudyError
            No such field, or a value that it cannot have.

        """
        _known(type(self), changes)
        return dataclasses.replace(self, **changes)  # type: ignore[type-var]
