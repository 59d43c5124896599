"""Find out what of a drive is used, while it is copied: asked of the copy so far, which the parser alone may see."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence

import msgspec

from drivecare.contents.assembly import partitions_of, question_about, used_space, without_files
from drivecare.contents.model import Partition, VolumeAnswer
from drivecare.contents.recognise import recognise
from drivecare.contents.window import Window
from drivecare.hardware.parser_process import ask_parser
from drivecare.transfer.areas import Area, merge
from drivecare.transfer.sectors.looking import Findings
from drivecare.transfer.sectors.partitions import read_partition_table


def find_used_space(
    descriptor: int,
    size_bytes: int,
    missing: Sequence[Area],
    seconds: float,
    stop_reason: Callable[[], str | None],
) -> Findings:
    """What the copy behind `descriptor` tells of the drive so far, and what it lacks to tell more.

    `missing` did not come across yet, and is not looked at.
    """

    def read(offset: int, length: int) -> bytes:
        return os.pread(descriptor, length, offset)

    whole = Window(read, Area(offset=0, length=size_bytes), missing)
    table = read_partition_table(whole.at_or_nothing, size_bytes)
    if whole.lacking:  # the places of partitions come before anything in them
        return Findings(lacking=whole.lacking)
    answers: list[tuple[Partition, VolumeAnswer]] = []
    lacking: list[Area] = []
    for partition in partitions_of(table, size_bytes):
        question = msgspec.structs.replace(question_about(partition, table, (), missing), usage=True)
        window = Window(read, question.partition, question.lost)
        mark = recognise(window.at, window.size_bytes, question.type)
        if mark.reader is None:
            answer = without_files(question, mark)
        else:
            answer = ask_parser(descriptor, question, seconds=seconds, stop_reason=stop_reason)
        answers.append((partition, answer))
        lacking += (*(window.lacking if mark.reader is None else ()), *answer.lacking)
    return Findings(used_space=used_space(table, answers), lacking=merge(lacking))
