"""`drivecare next`: where a job stands, and the one command that comes now."""

from __future__ import annotations

import os
import shlex
from typing import TYPE_CHECKING, Any

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import finish, job_argument, job_state, jobs_option, json_option, leading_job
from drivecare.cli.terminal import ask, can_ask, console, is_quiet, notify
from drivecare.errors import NotAnswered, Refused, Unavailable
from drivecare.exit_codes import ExitCode
from drivecare.shell import JOB_VARIABLE

if TYPE_CHECKING:
    from drivecare.job.model import NextStep
    from drivecare.record.location import Place
    from drivecare.record.port import FiledJob

# What a guard of a copy asks for, as the option that answers it: the person types it, or nothing is written.
_ANSWERS = {"target-not-empty": "--allow-overwrite"}
_YES = ("y", "yes")


@click.command(
    cls=HouseCommand,
    ends={ExitCode.DONE: "done; with --do that of the last command"},
    examples=["drivecare next 1042", "sudo drivecare next 1042 --do"],
)
@job_argument
@click.option("--do", "carry_out", is_flag=True, help="Run it, and go on with the next; asks before each.")
@jobs_option
@json_option
@click.pass_context
def next(ctx: click.Context, id: str | None, carry_out: bool, jobs: Place, as_json: bool) -> None:
    """Say where a job stands, what is missing for the gate, and the one command that comes now.

    The command is complete, but for what a person must vouch for: SERIAL, --note "...". --do asks for exactly that,
    takes only what is typed, runs the command and goes on with the next. Just Return stops it.
    """
    from drivecare.cli.job_screen import show_standing
    from drivecare.job.next_step import find_next_step

    folder = leading_job(ctx, id, jobs)
    state = job_state(ctx, folder)
    step = find_next_step(state)
    if not carry_out:
        finish(step, show=lambda out: show_standing(out, state, step), as_json=as_json)
    if as_json:
        raise click.UsageError("--do asks questions, and --json prints one document: choose one.")
    if not can_ask():
        raise NotAnswered("--do asks before each command, and nobody is there to answer")
    show_standing(console(), state, step)
    raise click.exceptions.Exit(_carry_out(ctx, folder, step))


def _carry_out(ctx: click.Context, folder: FiledJob, step: NextStep) -> int:
    """Run one command after the other, each once it was asked for. Returns the exit code of the last."""
    from drivecare.job.next_step import find_next_step

    code: int = ExitCode.DONE
    os.environ[JOB_VARIABLE] = folder.id  # whoever asks who holds a drive is told the job
    while step.command is not None:
        words = _ask_for_blanks(step.command)
        if words is None:
            return code
        current = find_next_step(job_state(ctx, folder))
        if current.command != step.command:  # another drive may have the path that was agreed to
            notify(f"What is attached or filed has changed meanwhile. Next: {current.command}")
            step = current
            continue
        code = _run(ctx, words)
        former, step = step, find_next_step(job_state(ctx, folder))
        if step == former:
            notify("That did not settle it.")
            return code
    return code


def _ask_for_blanks(command: str) -> list[str] | None:
    """Ask for what is open in a command, else whether to run it; None if the person stops here."""
    from drivecare.job.next_step import fill_blanks, open_blanks, question_for

    if command.startswith("sudo "):
        raise Unavailable("this opens a drive, which takes root", hint="Use: sudo drivecare next --do")
    blanks = open_blanks(command)
    if not blanks:
        return shlex.split(command) if ask("Run it? Type y") in _YES else None
    answers: dict[str, str] = {}
    for blank in blanks:
        while (answer := ask(question_for(blank, command))) in _YES:  # typed in the rhythm of the questions before
            notify(f"{answer} says nothing that anybody could look up later. Type it in words, or just Return to stop.")
        if not answer:
            return None
        answers[blank] = answer
    return fill_blanks(command, answers)


def _run(ctx: click.Context, words: list[str]) -> int:
    """Run a command in this process; where the target of a copy is not empty, ask for its name and try once more."""
    try:
        return _run_words(ctx, words)
    except Refused as refusal:
        option = _ANSWERS.get(refusal.guard)
        if option is None or option in words:
            raise
        notify(f"{refusal.problem}.")
        answer = ask("If all on it may go, type the serial number that is on the target's label (a file: its path)")
        if not answer:
            raise
        return _run_words(ctx, [*words, option, answer])


def _run_words(ctx: click.Context, words: list[str]) -> int:
    from drivecare.cli.main import cli

    program, *arguments = words
    quiet = ["--quiet"] if is_quiet() else []
    code: Any = cli.main(args=[*quiet, *arguments], prog_name=program, standalone_mode=False, obj=ctx.obj)
    return int(code or 0)
