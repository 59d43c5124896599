"""Rules for continuing a copy: whether a journal speaks of these two ends, and what it may still claim.

Pure: both ends were examined before, and what only the content of the target can tell is left to the caller.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from drivecare.errors import Refused
from drivecare.transfer.sectors.guards import Consent, Endpoint, answered_guards, same_end
from drivecare.transfer.sectors.journal import Journal, pack, unpack
from drivecare.transfer.sectors.receipt import End
from drivecare.transfer.sectors.recognition import complete_chunks, is_known_by_name


def continue_journal(
    journal: Journal, source: Endpoint, target: Endpoint, consent: Consent, *, source_modified_ns: int | None
) -> Journal:
    """The journal of the next session. Raises Refused where it speaks of other media, or of a source that changed."""
    target_end = target.end
    if target_end.kind == "image":
        target_end = msgspec.structs.replace(target_end, size_bytes=journal.target.size_bytes)  # it gets that again
    _refuse_other_media(journal, source, target, target_end)
    if journal.source_modified_ns not in (None, source_modified_ns):
        raise Refused(
            "the source was written to since this copy began, so its parts would not fit together",
            guard="source-changed",
            location=source.end.path,
            hint="Move the journal away and start a new copy",
        )
    still_attached = journal.source.attachment == source.end.attachment
    return msgspec.structs.replace(
        journal,
        source=_with_present_names(journal.source, source.end),
        target=_with_present_names(journal.target, target_end),
        # The flag of a device that was attached again since is its own; one still attached bears ours.
        source_was_read_only=journal.source_was_read_only if still_attached else None,
        acknowledged=tuple(dict.fromkeys((*journal.acknowledged, *answered_guards(source, target, consent)))),
        sessions=journal.sessions + 1,
        phase="copying",
    )


def refuse_unlike(journals: Sequence[Journal]) -> None:
    """Raise Refused where copies cannot share one pass: their chunks are proven by other digests, as in 0.1.0."""
    if len({(journal.bytes_total, journal.chunk_bytes, journal.algorithm) for journal in journals}) > 1:
        raise Refused(
            "the two journals prove their chunks in different ways, so one pass cannot serve both",
            guard="unlike-journals",
            hint="Continue one copy after the other: leave --also out, then name the image as the target",
        )


def without_cut_off(journal: Journal, target: Endpoint) -> Journal:
    """The journal of an image that was shortened since: what it lost is read from the source again."""
    if target.is_device or not target.exists or target.end.size_bytes >= journal.target.size_bytes:
        return journal
    segments = unpack(journal.copied, journal.chunk_bytes)
    remaining = [segment for segment in segments if segment.area.end <= target.end.size_bytes]
    return msgspec.structs.replace(journal, copied=pack(remaining, journal.chunk_bytes))


def lasting_acknowledgements(journal: Journal) -> tuple[str, ...]:
    """What is not asked again: the source is the one it was, the target may be another one without a name."""
    return tuple(name for name in journal.acknowledged if name in ("size", "other-drive"))


def is_resumed_by_content(journal: Journal, source: End, target: End) -> bool:
    """Whether a side of this copy has no name to know it by, so that what it holds has to tell."""
    return not (is_known_by_name(journal.source, source) and is_known_by_name(journal.target, target))


def recognize_target(journal: Journal, target: Endpoint) -> bool | None:
    """Whether the target may be the one that this copy began to write, so that no typed name is asked for again.

    It is by its name, or what was copied has to be there: a resume compares that before it writes.
    None: only the target's beginning, compared with the source's, can tell.
    """
    recorded, present = journal.target, target.end
    if not target.exists:
        return True
    if not target.is_device and present.size_bytes != recorded.size_bytes:  # it gets its size again, adding or cutting
        return None if present.size_bytes < recorded.size_bytes else False
    return is_known_by_name(recorded, present) or bool(complete_chunks(journal))


def _refuse_other_media(journal: Journal, source: Endpoint, target: Endpoint, target_end: End) -> None:
    if journal.copied and not target.exists:
        raise Refused(
            "there is no such file, and this copy had begun to write it",
            guard="other-medium",
            location=target_end.path,
            hint="If it was moved, name its new path; otherwise move the journal away and start a new copy",
        )
    for side, recorded, present in (("source", journal.source, source.end), ("target", journal.target, target_end)):
        if not same_end(recorded, present):
            raise Refused(
                f"the {side} is not the one this copy began with ({_describe(recorded)}, now {_describe(present)})",
                guard="other-medium",
                location=present.path,
                hint="Connect that one, or move the journal away and start a new copy",
            )


def _with_present_names(recorded: End, present: End) -> End:
    """The end as it was identified, under the path and attachment it has today."""
    return msgspec.structs.replace(recorded, path=present.path, attachment=present.attachment)


def _describe(end: End) -> str:
    name = " ".join(part for part in (end.model, end.serial) if part) or end.kind
    return f"{name}, {end.size_bytes:,} bytes"
