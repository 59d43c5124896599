"""Which results a mistake is taken back with: those of one act, by the number of any of them.

A drive that is read gives two results, the reading and its assessment; whoever takes back one means both.
"""

from __future__ import annotations

from drivecare.errors import BadInput
from drivecare.job.contents import JobContents
from drivecare.job.filed_readings import FiledReading
from drivecare.job.model import Change, Closing, Move, Opening, Withdrawal
from drivecare.job.result_files import ResultFile, document_kind
from drivecare.reading.model import Reading
from drivecare.risk.model import Assessment

_WITHDRAWAL = document_kind(Withdrawal)

# What tells of the job itself rather than of a drive or a customer, and how that is put right instead.
PUT_RIGHT: dict[str, str] = {
    document_kind(
        Opening
    ): "Correct it: drivecare job change {job} --host LABEL, --complaint TEXT or --reference TEXT.",
    document_kind(Closing): 'Reopen the job: drivecare job reopen {job} --note "WHY".',
    document_kind(Move): "Move the results themselves back.",
}
STAYS: dict[str, str] = {
    **PUT_RIGHT,
    document_kind(Change): "Withdraw it, and change the other job.",
    _WITHDRAWAL: "Withdraw it here, and withdraw in the other job what does not count there.",
}


def select_to_withdraw(contents: JobContents, number: int) -> tuple[ResultFile, ...]:
    """Select what is withdrawn with this number. Raises BadInput if there is none or it is put right differently."""
    result = _standing_result(contents, number, PUT_RIGHT)
    if result.kind == _WITHDRAWAL:
        _check_can_count_again(contents, result)
    return _results_of_act(contents, result)


def select_to_move(contents: JobContents, number: int) -> tuple[ResultFile, ...]:
    """Select what is moved with this number. Raises BadInput if there is none or it belongs to this job alone."""
    return _results_of_act(contents, _standing_result(contents, number, STAYS))


def _standing_result(contents: JobContents, number: int, put_right: dict[str, str]) -> ResultFile:
    """Find the result with this number that still counts."""
    job, name = contents.path.name, f"{number:04}"
    results = [file for file in contents.files if file.number == number]
    if len(results) != 1:
        problem = f"{len(results)} results are numbered {name}" if results else f"no result is numbered {name}"
        raise BadInput(problem, location=f"job {job}", hint=f"See drivecare job show {job}.")
    (result,) = results
    if result.kind in put_right:
        problem = f"{name} is the job's {result.kind}, which this command does not take back"
        raise BadInput(problem, location=f"job {job}", hint=put_right[result.kind].format(job=job))
    entry = contents.withdrawals().get(result.path.name)
    if entry is not None:
        to = entry.document.moved_to
        problem = f"{name} was already {f'moved to job {to}' if to else 'withdrawn'}, by {entry.name}"
        raise BadInput(problem, location=f"job {job}", hint=f"See drivecare job show {job}.")
    return result


def _check_can_count_again(contents: JobContents, result: ResultFile) -> None:
    """Raise BadInput for a withdrawal that more depends on than its results: a move, or a reopening."""
    entry = next(filed.document for filed in contents.documents(Withdrawal) if filed.file == result)
    job = contents.path.name
    if entry.moved_to is not None:
        hint = f"Move them back: drivecare job move {entry.moved_to} NUMBER {job}."
        raise BadInput(f"its results were moved to job {entry.moved_to}", location=f"job {job}", hint=hint)
    closings = {file.path.name for file in contents.files if file.kind == document_kind(Closing)}
    if not closings.isdisjoint(entry.files):
        hint = f"Close it again: drivecare job close {job} --help."
        raise BadInput("it reopened the job", location=f"job {job}", hint=hint)


def _results_of_act(contents: JobContents, result: ResultFile) -> tuple[ResultFile, ...]:
    """Add to a reading its assessment, and to an assessment its reading."""
    readings: tuple[FiledReading, ...] = (*contents.documents(Reading), *contents.documents(Assessment))
    chosen = next((filed for filed in readings if filed.file == result), None)
    if chosen is None or chosen.document.read_at is None:
        return (result,)
    drive, read_at = chosen.document.drive, chosen.document.read_at
    same = [filed.file for filed in readings if filed.document.drive == drive and filed.document.read_at == read_at]
    return tuple(sorted(same, key=lambda file: file.number))
