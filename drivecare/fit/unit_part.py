"""What all revisions of one unit have alike, written once in units/ beside their profiles: steps and symptoms."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

import msgspec

from drivecare.documents import Strict, convert, decode_toml
from drivecare.errors import DriveCareError
from drivecare.fit.host_profile import BenchStep, Host, NonEmptyText, Problem, Symptom
from drivecare.fit.profile_types import find_type_faults

PartReader = Callable[[str], bytes | None]
"""Reads the part of this name; None where there is none."""


class UnitPart(Strict, frozen=True, kw_only=True):
    """A file of units/. A profile that names it replaces a step or symptom by giving its id again."""

    steps: tuple[BenchStep, ...] = ()
    symptoms: tuple[Symptom, ...] = ()
    cautions: tuple[NonEmptyText, ...] = ()


def join_part(host: Host, read_part: PartReader) -> tuple[Host, tuple[Problem, ...]]:
    """Join a profile with the part that it shares. With problems, the profile is as it was."""
    problems = tuple(repeated_step_ids(host.steps))
    if host.shares is None or problems:
        return host, problems
    name = f"units/{host.shares}.toml"
    try:
        data = read_part(host.shares)
        table = None if data is None else decode_toml(dict[str, Any], data, origin=name)
    except DriveCareError as error:
        return host, (Problem(key="shares", reason=f"{name}: {error.problem}"),)
    if table is None:
        reason = f"there is no {name} beside this profile, nor one that ships"
        return host, (Problem(key="shares", reason=reason),)
    faults = tuple(find_type_faults(UnitPart, table))
    part = UnitPart() if faults else convert(UnitPart, table)
    problems = tuple(
        Problem(key="shares", reason=f"{name}: {problem.key}: {problem.reason}")
        for problem in (*faults, *repeated_step_ids(part.steps))
    )
    return (host if problems else _join(host, part)), problems


def repeated_step_ids(steps: Iterable[BenchStep]) -> Iterator[Problem]:
    """Find the steps whose id another step has too."""
    ids: set[str] = set()
    for index, step in enumerate(steps):
        if step.id is not None and step.id in ids:
            yield Problem(key=f"steps[{index}].id", reason=f"{step.id!r} appears twice")
        ids.add(step.id or "")


def _join(host: Host, part: UnitPart) -> Host:
    """The unit's steps come first, each in its place; the profile's symptoms do, so that problems keep their index."""
    own_steps = {step.id: step for step in host.steps if step.id is not None}
    shared = tuple(own_steps.pop(step.id or "", step) for step in part.steps)
    own_symptoms = {symptom.id for symptom in host.symptoms}
    return msgspec.structs.replace(
        host,
        steps=(*shared, *(step for step in host.steps if step.id is None or step.id in own_steps)),
        symptoms=(*host.symptoms, *(symptom for symptom in part.symptoms if symptom.id not in own_symptoms)),
        cautions=(*part.cautions, *host.cautions),
    )
