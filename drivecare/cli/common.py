"""What every command shares: the options, printing a result as JSON or for people, filing it in a job.

A command builds its document, then:

    folder = filing_folder(job, jobs)  # a wrong job or a closed one is reported before any work
    finish(document, show=lambda out: ..., as_json=as_json, folder=folder, exit_code=ExitCode.RECHECK)
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from drivecare.cli.command import Day, Number
from drivecare.cli.completion import job_ids
from drivecare.cli.terminal import console, flush_stdout, notify, print_document, stdout_is_terminal
from drivecare.documents import Value, encode
from drivecare.errors import DriveCareError, Interrupted
from drivecare.exit_codes import ExitCode
from drivecare.format import format_count
from drivecare.shell import JOB_VARIABLE

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.job.job_state import JobState
    from drivecare.record.location import Place
    from drivecare.record.port import FiledJob, Record
    from drivecare.work import Machine

_JOBS_OF_LAST = "drivecare.jobs"  # in the context: the place of all jobs that this terminal's last job is in

CommandFunction = TypeVar("CommandFunction", bound=Callable[..., Any])

# A path from the command line. Whoever uses it finds out whether it can be used, and says so in one line.
PATH = click.Path(readable=False, path_type=Path)

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")

# What a screen of 80 by 24 has no room for; everything is in --json too.
full_option = click.option("--full", is_flag=True, help="Show everything, on as many lines as it takes.")

since_option = click.option(
    "--since",
    type=Day(),
    metavar="DAY",
    help="Only jobs opened on this day or later, such as 2026-11-01.",
)

page_option = click.option(
    "--page",
    metavar="N",
    type=Number("a whole number of 1 or more", least=1, whole=True),
    help="Only this page of 50 jobs, the first with the newest. [default: 1 on a terminal, else all jobs]",
)


def page_asked(page: int | None, *, as_json: bool) -> int | None:
    """Return the page to show; None for all: a person at a terminal gets the first, a script whatever it asks for."""
    return 1 if page is None and not as_json and stdout_is_terminal() else page


# Named in the refusal of work/load_guard.py, which every command that loads a drive asks first.
allow_load_option = click.option(
    "--allow-load", metavar="SERIAL", help="Put load on a drive that is losing data anyway: type its serial number."
)


BENCH_VARIABLE = "DRIVECARE_BENCH"

job_argument = click.argument(
    "id", required=False, metavar="[ID]", envvar=JOB_VARIABLE, shell_complete=job_ids
)  # without one: `leading_job`


def job_options(command: CommandFunction) -> CommandFunction:
    """`--job ID` and `--jobs PLACE`: file the result of this command in that job."""
    option = click.option(
        "--job",
        metavar="ID",
        envvar=JOB_VARIABLE,
        help=f"File the result in this job. [or ${JOB_VARIABLE}]",
        shell_complete=job_ids,
    )
    return jobs_option(option(command))


def jobs_option(command: CommandFunction) -> CommandFunction:
    """`--jobs PLACE` alone, for commands whose argument is the job."""
    return click.option(
        "--jobs",
        metavar="PLACE",
        callback=_find_jobs,
        help="Folder that holds the jobs, or the postgresql://... of a record that benches share. "
        "[default: $DRIVECARE_JOBS or your data folder]",
    )(command)


def _find_jobs(ctx: click.Context, param: click.Parameter, place: str | None) -> Place:  # noqa: ARG001  click's signature
    """Find where the jobs are; under sudo that is the folder of the person at the terminal, not root's."""
    from drivecare.record.location import jobs_place

    return jobs_place(place)


def named_jobs(ctx: click.Context) -> Place | None:
    """The place of all jobs if a command line of this job named one, so that the commands we print can name it too."""
    named = ctx.get_parameter_source("jobs") is click.core.ParameterSource.COMMANDLINE
    return ctx.params["jobs"] if named else ctx.meta.get(_JOBS_OF_LAST)


def all_jobs(jobs: Place | None) -> Record:
    """The record of all jobs, whose notices go to stderr. What waits for it on this bench is filed first."""
    from drivecare.job.model import FiledBy
    from drivecare.record.location import open_record

    record = open_record(jobs, notify=notify, filed_by=FiledBy(by=account_name(), bench=bench_name()))
    push = record.push()
    if push.filed:
        notify(f"{format_count(len(push.filed), 'result')} that waited on this bench: filed in the record.")
    for reason in dict.fromkeys(result.reason for result in push.waiting if not result.away):
        notify(f"Results wait on this bench and are not filed: {reason}")
    if away := sum(result.away for result in push.waiting):  # why it is away the command itself says
        notify(f"Not filed yet, until the record's server is there again: {format_count(away, 'result')}.")
    return record


def job_folder(id: str, jobs: Place | None) -> FiledJob:
    """Open an existing job, which from now on is the last one of this terminal."""
    from drivecare.cli.this_terminal import remember_job

    folder = all_jobs(jobs).job(id)
    ctx = click.get_current_context(silent=True)
    remember_job(id, named_jobs(ctx) if ctx is not None else None)
    return folder


def filing_folder(id: str | None, jobs: Place | None) -> FiledJob | None:
    """Open the job that a result is to be filed in, if one was named. Raises Refused if it is closed."""
    if id is None:
        return None
    folder = job_folder(id, jobs)
    folder.refuse_if_closed()
    return folder


def named_job(ctx: click.Context, id: str | None, jobs: Place | None) -> FiledJob:
    """Open the job that the line or $DRIVECARE_JOB names, for commands that take no other."""
    if id is None:
        raise click.UsageError(f"Which job? Name its ID, or set {JOB_VARIABLE}.", ctx=ctx)
    return job_folder(id, jobs)


def leading_job(ctx: click.Context, id: str | None, jobs: Place | None, *, filing: bool = False) -> FiledJob:
    """Open the job that was named; if none was, the last one of this terminal, which is then the first thing said.

    For commands that cannot do without a job; one that takes minutes or a drive's word files into none but a named one.
    `filing`: a result is to be filed in it. Raises Refused then if it is closed.
    """
    from drivecare.cli.this_terminal import last_job
    from drivecare.record.location import jobs_place

    last = last_job() if id is None else None
    if last is not None:
        if last.jobs is not None and named_jobs(ctx) is None:
            jobs = ctx.meta[_JOBS_OF_LAST] = jobs_place(last.jobs)
        id = last.job
        notify(f"No job named: the last one of this terminal is {id}.")
    folder = named_job(ctx, id, jobs)
    if filing:
        folder.refuse_if_closed()
    return folder


def job_state(ctx: click.Context, folder: FiledJob) -> JobState:
    """Work out the state of a job with what is attached; its commands name the folder of jobs where a person did."""
    from drivecare.work.next_step import load_job

    return load_job(folder, machine(ctx), jobs=named_jobs(ctx))


def account_name() -> str:
    """The account name of the person at the terminal, for what they record."""
    import pwd

    from drivecare.invoking_user import invoking_user

    uid = invoking_user().uid
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return str(uid)


def bench_name() -> str:
    """What this bench is called: $DRIVECARE_BENCH, else this machine's own name."""
    return os.environ.get(BENCH_VARIABLE) or os.uname().nodename


def machine(ctx: click.Context) -> Machine:
    """The machine to work on: this one, or the recorded one that a test put into the context."""
    from drivecare.work import Machine

    return ctx.find_object(Machine) or Machine()


def finish(
    document: Value,
    *,
    show: Callable[[Screen], None],
    as_json: bool,
    exit_code: ExitCode = ExitCode.DONE,
    folder: FiledJob | None = None,
    after: FiledJob | None = None,
    keep: Sequence[Callable[[], object]] = (),
    again: str = "run the command again",
) -> NoReturn:
    """Print the document, then file it in the job and `keep` what else goes to a disk; end with the exit code.

    A document of a job goes out as it is filed, without the names of the customer's files, which `show` may show. The
    result comes first, since a drive may give it only once: a full disk is reported afterwards and costs nothing
    but the copy on that disk. Raises Interrupted then; `again` is what to do once there is room. Last comes the next
    step of the job: that of `folder`, or `after` where the result is filed already or is none.
    """
    if folder is not None:
        from drivecare.job.file_names import separate_names

        document, names = separate_names(document)
        keep = (*keep, lambda: file_result(folder, document, names))
    try:
        if as_json:
            print_document(encode(document))
        else:
            show(console())
        flush_stdout()
    finally:
        _keep_all(keep, again)
    if (job := folder or after) is not None and not as_json:
        ctx = click.get_current_context()
        show_next(job, machine(ctx), jobs=named_jobs(ctx))
    raise click.exceptions.Exit(exit_code)


def show_next(folder: FiledJob, bench: Machine, *, jobs: Place | None) -> None:
    """Print what comes next in a job: the last lines of every command that files a result.

    `jobs` is the folder of jobs if one was named.
    """
    from drivecare.cli.job_screen import show_next_step
    from drivecare.job.next_step import find_next_step
    from drivecare.work.next_step import load_job

    try:
        step = find_next_step(load_job(folder, bench, jobs=jobs))
    except DriveCareError as error:  # of the job, not of the result, which is filed
        notify(f"what comes next is not known: {error.message()}")
        return
    out = console()
    out.print()
    show_next_step(out, step)


def file_result(folder: FiledJob, document: Value, names: bytes = b"") -> None:
    """File a document in its job, the `names` separated from it beside it, and print its path on stderr."""
    notify(folder.describe_filing(folder.file(document, names=names)))


def _keep_all(keep: Sequence[Callable[[], object]], again: str) -> None:
    """Call each; a failure does not stop the next. Raises Interrupted for the first failure."""
    failures: list[DriveCareError] = []
    for act in keep:
        try:
            act()
        except DriveCareError as error:
            failures.append(error)
    if failures:
        first = failures[0]
        hint = f"The result above is complete but was not saved there. Make room or choose another place, then {again}."
        raise Interrupted(first.problem, location=first.location, hint=hint) from first
