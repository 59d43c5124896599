"""One voice for every command: how its help is laid out, what every one ends with, the options that all have.

A command says what is its own, `ends` (each exit code with what it means there) and `examples`; the rest comes from
here: options of its own first, then those that several commands share, in one order; then the exit codes; then the
examples, each in one line so that it can be copied.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import click

from drivecare.cli.terminal import silence
from drivecare.exit_codes import ExitCode

# The options that several commands have, by the names of their parameters: they come last, in this order.
_SHARED = ("allow_overwrite", "overwritable", "allow_load", "full", "job", "jobs", "as_json", "quiet", "verbose")

_ERROR = "an error before anything was done"
_REFUSED = "refused, nothing was written"
_UNSAVED = "shown, but it could not be saved"


def _speak_up(ctx: click.Context, param: click.Parameter, value: bool) -> None:  # noqa: ARG001  click's signature
    if value:
        logging.basicConfig(level=logging.DEBUG, format="%(message)s")
        logging.getLogger().setLevel(logging.DEBUG)


def _keep_quiet(ctx: click.Context, param: click.Parameter, value: bool) -> None:  # noqa: ARG001  click's signature
    if value:
        silence(ctx)


def voice_options() -> tuple[click.Option, ...]:
    """`-q` and `-v`, before the command or after it."""
    choices = (
        (["-q", "--quiet"], _keep_quiet, "Ring no bell and draw no progress bar."),
        (["-v", "--verbose"], _speak_up, "Say more on stderr about what is being done."),
    )
    return tuple(
        click.Option(names, is_flag=True, expose_value=False, callback=callback, help=words)
        for names, callback, words in choices
    )


class HouseCommand(click.Command):
    """A command whose help says what it ends with and shows how it is typed."""

    def __init__(
        self,
        *arguments: Any,
        ends: Mapping[ExitCode, str] | None = None,
        examples: Sequence[str] = (),
        **attributes: Any,
    ) -> None:
        """Take what is the command's own; `ends` need not name what every command can end with."""
        super().__init__(*arguments, **attributes)
        self.params = sorted([*self.params, *voice_options()], key=_place)
        self.ends = dict(sorted({**self._common_ends(), **(ends or {})}.items()))
        self.examples = tuple(examples)

    def _common_ends(self) -> dict[ExitCode, str]:
        names = {param.name for param in self.params}
        common = {ExitCode.DONE: "done", ExitCode.USAGE: ExitCode.USAGE.meaning, ExitCode.ERROR: _ERROR}
        if names & {"jobs", "overwritable"}:
            common[ExitCode.REFUSED] = _REFUSED
        if names & {"job", "overwritable"}:
            common[ExitCode.INTERRUPTED] = _UNSAVED
        return common

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the exit codes, then the examples at whatever width."""
        super().format_epilog(ctx, formatter)
        with formatter.section("Exit codes"):
            formatter.write_dl([(str(code.value), meaning) for code, meaning in self.ends.items()])
        write_examples(formatter, self.examples)


class HouseGroup(click.Group):
    """Commands of one kind, in the order in which they were added, with examples."""

    command_class = HouseCommand

    def __init__(self, *arguments: Any, examples: Sequence[str] = (), **attributes: Any) -> None:
        """Take the group's own examples."""
        super().__init__(*arguments, **attributes)
        self.params.extend(voice_options())
        self.examples = tuple(examples)

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  click's signature
        """As they were added: in the order of a job."""
        return list(self.commands)

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the examples."""
        super().format_epilog(ctx, formatter)
        write_examples(formatter, self.examples)


class Number(click.ParamType[float]):
    """A number within limits; `says` is what it must be, in words, for whoever typed another."""

    name = "number"

    def __init__(
        self,
        says: str,
        *,
        above: float = float("-inf"),
        least: float = float("-inf"),
        most: float = float("inf"),
        whole: bool = False,
    ) -> None:
        """Take the limits: more than `above`, not less than `least`, not more than `most`."""
        self.says, self._above, self._least, self._most = says, above, least, most
        self._parse = int if whole else float

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Parse what was typed."""
        try:
            number: float = self._parse(value)
        except ValueError:
            number = float("nan")
        if not (number > self._above and self._least <= number <= self._most):
            self.fail(f"{value!r} is not {self.says}.", param, ctx)
        return number


class Day(click.ParamType[datetime]):
    """A day as its first moment on the local clock."""

    name = "day"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        """Parse what was typed."""
        try:
            return datetime.strptime(str(value), "%Y-%m-%d").astimezone()
        except (ValueError, OverflowError):
            self.fail(f"{value!r} is not a day such as 2026-11-01.", param, ctx)


def write_examples(formatter: click.HelpFormatter, examples: Sequence[str]) -> None:
    """Write each example in one line."""
    formatter.write_paragraph()
    for example in examples:
        formatter.write(f"  Example: {example}\n")


def _place(param: click.Parameter) -> int:
    return _SHARED.index(param.name) + 1 if param.name in _SHARED else 0
