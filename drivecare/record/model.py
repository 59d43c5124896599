"""The documents that tell what was done to a record itself."""

from __future__ import annotations

from typing import Literal

from drivecare.documents import Value


class RecordSetup(Value, frozen=True, kw_only=True):
    """A record as it was set up. `applied` are the numbers of the migrations that it lacked.

    `bench_role` may add and read, nothing else; `administrator` are the statements that let a bench in.
    """

    schema: Literal["drivecare/record-setup-1"] = "drivecare/record-setup-1"
    record: str
    owner: str
    bench_role: str
    applied: tuple[int, ...]
    administrator: tuple[str, ...]
