"""What a reading can fail to tell, and what helps: one catalogue, so that nothing missing looks like health."""

from __future__ import annotations

from collections.abc import Iterable

from drivecare.reading.model import Gap

_ANOTHER_DOCK = "Attach the drive to a native SATA, SAS or M.2 port, or use another dock."
_LATER = "Wait until the test has ended, then read again."

# code: (blocks: no usable health data is left, advice)
CATALOGUE: dict[str, tuple[bool, str | None]] = {
    "bridge-blocked": (True, f"The bridge lets no health report through. {_ANOTHER_DOCK}"),
    "open-failed": (True, "The drive could not be opened: check power, cable and permissions, then read again."),
    "no-answer": (True, "Switch the dock off and on, try another port and cable, and read again."),
    "logs-unanswered": (False, "Switch the dock off and on, then read again."),
    "size-differs": (False, f"Do not copy through this connection. {_ANOTHER_DOCK}"),
    "raid-virtual": (True, "Read the member drives behind the controller one by one, or take them out of it."),
    "not-a-drive": (True, "Read the drive itself: `drivecare drives` lists what is attached, and at which path."),
    "behind-controller": (False, "It may hold only part of a volume: take it off the controller to copy it."),
    "smart-off": (True, "The drive keeps no health record while SMART is off; switch it on only if the owner agrees."),
    "smart-unsupported": (True, f"The drive, or the dock it is in, offers no SMART. {_ANOTHER_DOCK}"),
    "standby": (True, "The drive was asleep and was not woken: wake it, then read again."),
    "no-health-data": (True, f"The report names a drive but holds no health data. {_ANOTHER_DOCK}"),
    "table-junk": (True, f"The table cannot be true; often a bridge invents it. {_ANOTHER_DOCK}"),
    "table-broken": (True, "A mail or a narrow window broke the lines: ask for the report as an attached file."),
    "checksum-data": (True, f"The drive's health data fail their checksum. Read again. {_ANOTHER_DOCK}"),
    "checksum-thresholds": (False, "The drive's thresholds fail their checksum: trust the raw counts, not the limits."),
    "checksum-log": (False, "A log fails its checksum: do not rely on it."),
    "checksum-identity": (False, "The drive's identity fails its checksum: compare it with the label."),
    "selftest-running": (False, _LATER),
    "status-missing": (False, "The drive's own verdict did not come through: judge by the counters."),
    "hours-packed": (False, "Above the hours the counter holds another number, which is left out."),
    "hours-implausible": (False, "The hour count cannot be true and is left out."),
    "count-implausible": (False, "A counter cannot be true and is left out."),
    "temperature-implausible": (False, "The temperature cannot be true and is left out."),
    "writes-unknown": (False, "The unit of the amount written is unknown, so it is left out."),
    "wear-unknown": (False, "Wear cannot be told from this report: the maker's own table is needed."),
    "wear-doubtful": (False, "The worst row counts until the maker's own table tells which of them is right."),
    "count-unread": (False, "A defect count did not come through: read the drive again, or ask for the whole report."),
    "row-damaged": (False, "A row of the table is damaged and was left out: ask for the report again."),
    "repeated-row": (False, "The table repeats an attribute with different numbers; the worst counts."),
    "flags-swapped": (False, "The drive's attribute flags have their bytes swapped and were read accordingly."),
    "kind-disputed": (False, "The drive's own data disagree on whether it has platters: look at the label."),
    "log-unreadable": (False, "A log of the drive could not be read."),
    "command-failed": (
        False,
        f"A command to the drive failed. If this recurs: {_ANOTHER_DOCK}",
    ),
    "locked": (False, "The drive is locked by an ATA password: nothing can be copied until its owner unlocks it."),
    "capacity-hidden": (False, "Part of the drive is hidden. Nothing here unhides it; a copy covers the visible part."),
    "sector-size-bridged": (
        False,
        f"The bridge presents sectors of another size: do not copy through it. {_ANOTHER_DOCK}",
    ),
    "identity-weak": (False, f"A bridge hides which drive this is: note the label's serial number. {_ANOTHER_DOCK}"),
    "named-by-hand": (False, "Compare them with the label, and read the drive itself where it is at hand."),
    "prediction-test": (False, "The alarm is the drive's built-in test of the alarm, not a prediction."),
}


class GapNotes:
    """The gaps of one report, in the order in which they were met."""

    def __init__(self, noted: Iterable[Gap] = ()) -> None:
        self.noted = list(noted)

    def note(self, code: str, what: str) -> None:
        """Note a gap of the catalogue, once; `what` is what was seen, as a sentence for the technician."""
        blocks, advice = CATALOGUE[code]
        gap = Gap(code=code, what=what, blocks=blocks, advice=advice)
        if gap not in self.noted:
            self.noted.append(gap)

    def possible(self, value: str, number: int | None, *, limit: int, code: str = "count-implausible") -> int | None:
        """Let a number up to `limit` pass; beyond it the answer is None, and a gap tells the number."""
        if number is None or 0 <= number <= limit:
            return number
        self.note(code, f"{value.replace('_', ' ')}: {number:,} is not a possible number.")
        return None

    @property
    def blocking(self) -> bool:
        """Whether one of them leaves no usable health data."""
        return any(noted.blocks for noted in self.noted)
