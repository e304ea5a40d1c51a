"""What is done of a long work, one line for each piece, so that it can go on where it stopped.

A line is the digest of the rest of it, the key of what was asked, and the answers as JSON.  A line that
was cut short by a kill, or in which a bit has changed, is no line: what it held is worked out again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lapwright.study.safefile import cannot_write

__all__ = ["Journal", "plain_json"]

DIGEST = 64  # characters of one


def plain_json(value: Any) -> bytes:
    """JSON on one line, the same for the same value."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False).encode("utf-8")


@dataclass
class Journal:
    """A file of such lines; `damaged`: how many that were read are none, but for one cut short at the end."""

    path: Path
    damaged: int = 0
    whole: int | None = None  # bytes that whole lines take up, once the file was looked at

    def read(self) -> Iterator[tuple[str, Any]]:
        """Key and answers of every line that is whole, in the order they were written.

        Raises
        ------
        CannotDoError
            The file is there and cannot be read.

        """
        self.damaged, self.whole = 0, 0
        try:
            with self.path.open("rb") as file:
                for line in file:
                    if not line.endswith(b"\n"):
                        break
                    self.whole += len(line)
                    told, body = line[:DIGEST], line[DIGEST + 1 : -1]
                    if told == _digest(body) and line[DIGEST : DIGEST + 1] == b" ":
                        key, answers = json.loads(body)
                        yield str(key), answers
                    else:
                        self.damaged += 1
        except FileNotFoundError:
            return
        except OSError as trouble:
            raise cannot_write(self.path, trouble) from trouble

    def add(self, key: str, answers: Any) -> None:
        """Put answers in safety.

        Raises
        ------
        CannotDoError
            They cannot be written; what was there before stays.

        """
        if self.whole is None:
            for _ in self.read():
                pass
        assert self.whole is not None
        body = plain_json([key, answers])
        line = memoryview(_digest(body) + b" " + body + b"\n")
        try:
            with self.path.open("r+b" if self.path.exists() else "x+b", buffering=0) as file:
                try:
                    file.truncate(self.whole)
                    file.seek(self.whole)
                    left = line
                    while left:
                        left = left[file.write(left) :]
                    os.fsync(file.fileno())
                except OSError:
                    with contextlib.suppress(OSError):
                        file.truncate(self.whole)
                    raise
        except OSError as trouble:
            raise cannot_write(self.path, trouble) from trouble
        self.whole += len(line)


def _digest(body: bytes) -> bytes:
    return hashlib.sha256(body).hexdigest().encode("ascii")
