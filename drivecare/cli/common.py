"""What every command shares: the options, printing a result as JSON or for people, filing it in a job.

A command builds its document, then:

    finish(document, show=lambda out: ..., as_json=as_json, job=job, jobs=jobs, exit_code=10)
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from drivecare.documents import Value, encode

if TYPE_CHECKING:
    from rich.console import Console

    from drivecare.hardware.machine import Machine
    from drivecare.job.folder import JobFolder

F = TypeVar("F", bound=Callable[..., Any])

# A path from the command line. Whether it can be used is found out, and said in one line, by whoever uses it.
PATH = click.Path(readable=False, path_type=Path)

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")


def _job_ids(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:  # noqa: ARG001  click's signature
    """For shell completion: the jobs there are."""
    from drivecare.errors import DriveCareError
    from drivecare.job.folder import all_jobs

    try:
        return [job.id for job in all_jobs(ctx.params.get("jobs")) if job.id.startswith(incomplete)]
    except DriveCareError:
        return []


job_argument = click.argument("id", shell_complete=_job_ids)


def job_options(command: F) -> F:
    """`--job ID` and `--jobs FOLDER`: file the result of this command in that job."""
    command = click.option("--job", metavar="ID", help="File the result in this job.", shell_complete=_job_ids)(command)
    return jobs_option(command)


def jobs_option(command: F) -> F:
    """`--jobs FOLDER` alone, for commands whose argument is the job."""
    return click.option(
        "--jobs",
        metavar="FOLDER",
        type=PATH,
        callback=_where_jobs_lie,
        help="Folder that holds the jobs. [default: $DRIVECARE_JOBS or your data folder]",
    )(command)


def _where_jobs_lie(ctx: click.Context, param: click.Parameter, given: Path | None) -> Path:  # noqa: ARG001  click's signature
    """Under sudo jobs lie with the person at the terminal, not with root."""
    from drivecare.invoking_user import data_folder
    from drivecare.job.folder import jobs_folder

    return jobs_folder(given, data=data_folder())


def named_jobs(ctx: click.Context) -> Path | None:
    """The folder of jobs where the command line named one, so that the commands we print can name it too."""
    given = ctx.get_parameter_source("jobs") is click.core.ParameterSource.COMMANDLINE
    return ctx.params["jobs"] if given else None


def job_folder(id: str, jobs: Path | None) -> JobFolder:
    """An existing job, whose notices go to stderr."""
    from drivecare.job.folder import open_job

    return open_job(id, jobs, notify=lambda sentence: click.echo(sentence, err=True))


def who() -> str:
    """Account name of the person at the terminal, for what they record."""
    import pwd

    from drivecare.invoking_user import invoking_user

    uid = invoking_user().uid
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return str(uid)


def console(*, stderr: bool = False) -> Console:
    """A rich console: plain in a pipe and under NO_COLOR; 80 columns in a pipe."""
    from rich.console import Console

    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() or "COLUMNS" in os.environ else 80
    return Console(file=stream, width=width, highlight=False, markup=False, emoji=False)


def machine(ctx: click.Context) -> Machine:
    """The machine to work on: this one, or the recorded one that a test put into the context."""
    from drivecare.hardware.machine import Machine

    return ctx.find_object(Machine) or Machine()


def finish(
    document: Value,
    *,
    show: Callable[[Console], None],
    as_json: bool,
    exit_code: int = 0,
    job: str | None = None,
    jobs: Path | None = None,
) -> NoReturn:
    """File the document where a job was named, print it, end with the exit code."""
    if job is not None:
        filed = job_folder(job, jobs).file(document)
        click.echo(f"filed as {filed}", err=True)
    if as_json:
        sys.stdout.buffer.write(encode(document))
        sys.stdout.flush()
    else:
        show(console())
    raise click.exceptions.Exit(exit_code)
