"""Look at what is on an image, a drive or a copy. What `drivecare contents` does."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from drivecare.contents.assembly import assemble, partitions_of, question_about, without_files
from drivecare.contents.model import Contents, Partition, VolumeAnswer
from drivecare.contents.recognise import recognise
from drivecare.contents.window import Window
from drivecare.documents import load
from drivecare.errors import BadInput
from drivecare.hardware.device_path import is_device
from drivecare.hardware.opening import hold_descriptor
from drivecare.hardware.parser_process import ask_parser
from drivecare.record.port import FiledJob
from drivecare.transfer.areas import Area, merge
from drivecare.transfer.medium import Progress, Watch
from drivecare.transfer.sectors.partitions import read_partition_table
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work import Machine
from drivecare.work.copy_paperwork import RECEIPT_SUFFIX, named_target
from drivecare.work.load_guard import identify_for_load

_RECEIPT_NAME = ".json"


@dataclass(frozen=True, kw_only=True)
class ContentsRequest:
    """What to look at: an image, a drive, or the copy that a receipt is of."""

    path: str
    allow_load: str | None = None
    folder: FiledJob | None = None


def survey_contents(
    request: ContentsRequest,
    machine: Machine,
    *,
    notify: Callable[[str], None] = lambda _: None,
    watch: Watch | None = None,
) -> Contents:
    """What is on it. Of a copy with a receipt also what lies in every area that did not come across.

    Raises BadInput, Unavailable, Interrupted, and Refused where a drive is losing data or in use.
    """
    watch = watch or Watch()
    path, receipt = _copy_and_receipt(request.path, notify)
    identify_for_load(path, "a look at its files", machine, allow_load=request.allow_load, folder=request.folder)
    with hold_descriptor(machine.node(path)) as descriptor:
        lost = merge(receipt.lost_areas) if receipt is not None else ()
        contents = survey_medium(path, descriptor, lost, lost, watch)
    watch.raise_if_stopped()
    return contents


def survey_medium(path: str, descriptor: int, areas: Sequence[Area], lost: Sequence[Area], watch: Watch) -> Contents:
    """What is on an open medium, and what lies in each of `areas`. The bytes of `lost` are not what the drive held."""
    size_bytes = os.lseek(descriptor, 0, os.SEEK_END)
    everything = Area(offset=0, length=size_bytes)

    def read(offset: int, length: int) -> bytes:
        return os.pread(descriptor, length, offset)

    whole = Window(read, everything, lost)
    table = read_partition_table(whole.at_or_nothing, size_bytes)
    answers: list[tuple[Partition, VolumeAnswer]] = []

    def show_progress(names: int) -> None:
        counted = sum((answer.volume.files or 0) + (answer.volume.folders or 0) for _, answer in answers)
        watch.on_progress(Progress("counting files", counted + names, 0, unit="names"))

    for partition in partitions_of(table, size_bytes):
        question = question_about(partition, table, areas, lost)
        window = Window(read, question.partition, question.lost)
        mark = recognise(window.at, window.size_bytes, question.type)
        if mark.reader is None:  # told by its mark alone: nothing is parsed
            answers.append((partition, without_files(question, mark)))
        else:
            show_progress(0)
            answer = ask_parser(descriptor, question, stop_reason=watch.stop_reason, on_names=show_progress)
            answers.append((partition, answer))
    return assemble(path, size_bytes, table, areas, answers)


def _copy_and_receipt(path: str, notify: Callable[[str], None]) -> tuple[str, Receipt | None]:
    """The medium to look at and its receipt: the path may name either; an image's receipt lies beside it."""
    if not is_device(path) and path.endswith(_RECEIPT_NAME):
        receipt = load(Receipt, Path(path))
        return named_target(receipt, Path(path)), receipt
    beside = Path(path + RECEIPT_SUFFIX)
    if is_device(path) or not beside.exists():
        return path, None
    try:
        receipt = load(Receipt, beside)
    except BadInput as error:
        notify(f"{error.message()} It is looked at without its receipt: a place that was never read may look empty.")
        return path, None
    return path, receipt if Path(receipt.target.path).name == Path(path).name else None
