"""The decoder's table of steps: each is given what it states and nothing else, once something has told it."""

from __future__ import annotations

import inspect
from typing import get_type_hints

import pytest

from drivecare.reading import ata, circumstances, decode, draft
from drivecare.reading.draft import Draft, Step

GIVEN = {"raw", "report", "read_at", "transport", "gaps"}
PARTS = get_type_hints(Draft, vars(draft))
WAYS = {
    protocol: (*decode.WHICH_DRIVE, *steps, *decode.WHATEVER_THE_PROTOCOL)
    for protocol, steps in decode.BY_PROTOCOL.items()
}
STEPS = list(dict.fromkeys(step for steps in WAYS.values() for step in steps))


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.function.__name__)
def test_a_step_needs_the_parts_its_parameters_are_named_and_typed_for(step: Step) -> None:
    hints = get_type_hints(step.function)
    parameters = list(inspect.signature(step.function).parameters)
    assert step.needs.split() == parameters
    assert {name: hints[name] for name in parameters} == {name: PARTS[name] for name in parameters}


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.function.__name__)
def test_a_step_answers_with_what_it_fills(step: Step) -> None:
    part, _, name = step.fills.partition(".")
    target = part or step.completes
    filled = get_type_hints(PARTS[part])[name] if name else PARTS[target] if target else type(None)
    assert get_type_hints(step.function)["return"] == filled


@pytest.mark.parametrize("protocol", WAYS)
def test_a_step_comes_after_those_that_tell_what_it_needs(protocol: str | None) -> None:
    parts = set(GIVEN) | {"table"}  # a drive without a table has an empty one
    for step in WAYS[protocol]:
        assert parts.issuperset(step.needs.split()), step
        parts.add(step.fills.partition(".")[0] or step.completes)


def test_a_step_that_completes_replaces_nothing() -> None:
    steps = [step for steps in WAYS.values() for step in steps if step.fills == "values"]
    assert {step.function for step in steps} == {ata.count_the_worse, circumstances.drop_impossible_hours}
