"""The values a reading is made of.

`None` is "the drive did not say" everywhere; zero is a value. Units stand in the names. The raw text stays beside what
was decoded from it, so that a later version can read an old reading better.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from drivecare.documents import Value
from drivecare.reading.identity import Identity

Kind = Literal["hdd", "ssd", "unknown"]
Protocol = Literal["ata", "nvme", "scsi"]
DriveSays = Literal["passed", "failing", "silent"]
Security = Literal["off", "unlocked", "locked", "frozen", "unsupported"]
ZoneModel = Literal["none", "host-aware", "host-managed", "device-managed"]
ThresholdState = Literal["now", "past"]
TestResult = Literal[
    "passed",
    "aborted",  # by the host, or a dock's idle timer
    "interrupted",  # by a reset or a power cut
    "not-completed",  # fatal or unknown error
    "unknown-element",
    "electrical",
    "servo",
    "read",
    "handling-damage",
    "running",
    "unknown",
]
FAILED_TESTS: frozenset[TestResult] = frozenset(
    {"not-completed", "unknown-element", "electrical", "servo", "read", "handling-damage"}
)


class Namespace(Value, frozen=True, kw_only=True):
    """One namespace of an NVMe drive: a part of it that the computer sees as a drive of its own."""

    number: int
    capacity_bytes: int | None = None


class Drive(Value, frozen=True, kw_only=True):
    """The drive itself: what does not change from one reading to the next."""

    model: str | None = None
    serial: str | None = None
    named_by_hand: bool = False  # model and serial number stand in the text in somebody's own words
    firmware: str | None = None
    firmware_warning: str | None = None  # what the report says against it, in the words of the backend's database
    family: str | None = None
    kind: Kind = "unknown"
    protocol: Protocol | None = None
    identity: Identity = Identity()
    capacity_bytes: int | None = None
    native_capacity_bytes: int | None = None
    attached_sector_bytes: int | None = None
    namespaces: tuple[Namespace, ...] = ()  # of NVMe, those that the report names
    security: Security | None = None
    password_level: Literal["high", "maximum"] | None = None  # at maximum the master password can only erase
    password_attempts_exceeded: bool | None = None
    logical_sector_bytes: int | None = None
    physical_sector_bytes: int | None = None
    form_factor: str | None = None
    rotation_rpm: int | None = None
    link_gbps: float | None = None
    link_max_gbps: float | None = None
    ata_transport: Literal["serial", "parallel"] | None = None  # SATA or PATA (IDE)
    trim: bool | None = None
    zoned: ZoneModel | None = None
    virtual: str | None = None  # what stands in for a drive: a RAID volume, a controller; None for a drive itself
    smart: Literal["on", "off", "unsupported"] | None = None
    temperature_limit_celsius: int | None = None  # the drive's own; None where it names none or an impossible one

    @property
    def maker_label(self) -> str:
        """Family and model, by which its maker is known."""
        return f"{self.family or ''} {self.model or ''}".strip()

    @property
    def shingled(self) -> bool:
        """Whether its tracks overlap: by its zones, or by a TRIM command, for which no other hard drive has a use."""
        return self.zoned not in (None, "none") or (self.kind == "hdd" and self.trim is True)

    @property
    def interface(self) -> Literal["sata", "pata", "sas", "nvme"] | None:
        """What its connector speaks; None where the reading does not tell SATA from PATA."""
        match self.protocol, self.ata_transport:
            case "nvme", _:
                return "nvme"
            case "scsi", _:
                return "sas"
            case "ata", "parallel":
                return "pata"
        # Readings of 0.2.0 tell the speed of the link alone, which PATA does not have.
        serial = self.ata_transport == "serial" or self.link_max_gbps is not None
        return "sata" if self.protocol == "ata" and serial else None

    @property
    def whole_bytes(self) -> int | None:
        """Its size with whatever is hidden; None where it tells none."""
        return max(filter(None, (self.capacity_bytes, self.native_capacity_bytes)), default=None)


class Attribute(Value, frozen=True, kw_only=True):
    """One row of an ATA attribute table. `raw` is the decoded main number, None where the raw text defies decoding.

    `state` says whether value <= threshold now, or worst <= threshold at some time in the past; a threshold of 0 never
    fails (ATA: Maxtor D540X product manual, table 6-12). `packed`: a rate whose raw value packs errors over operations.
    """

    id: int
    name: str | None = None
    prefail: bool | None = None
    value: int | None = None
    worst: int | None = None
    threshold: int | None = None
    raw_text: str = ""
    raw: int | None = None
    state: ThresholdState | None = None
    packed: bool = False


class SelfTest(Value, frozen=True, kw_only=True):
    """One self-test the drive remembers. `hours`: power-on hours when it ended. `lba`: first failing one."""

    kind: str
    result: TestResult
    remaining_percent: int | None = None
    hours: int | None = None
    lba: int | None = None

    @property
    def name(self) -> str:
        """The kind in a word: ATA, NVMe and SCSI each spell it their own way."""
        kind = self.kind.lower()
        words = {"extended": "extended", "long": "extended", "short": "short"}
        return next((name for word, name in words.items() if word in kind), kind)


UnreadableLog = Literal["pending-defects", "self-test", "errors", "background-scan"]


class UnreadableLba(Value, frozen=True, kw_only=True):
    """An address that one of the drive's own logs names as unreadable. It may have been rewritten since."""

    lba: int
    log: UnreadableLog


class LoggedErrors(Value, frozen=True, kw_only=True):
    """The drive's own error log, summed up. `newest_hours`: power-on hours of the newest entry."""

    count: int | None = None
    newest_hours: int | None = None
    unreadable: int | None = None  # NVMe: entries kept that name data which could not be read
    kinds: tuple[str, ...] = ()  # "uncorrectable", "not found", "link checksum", "aborted", ...


class Values(Value, frozen=True, kw_only=True):
    """The signals that rules speak about; each None where the drive did not say."""

    power_on_hours: int | None = None
    power_cycles: int | None = None
    temperature_celsius: int | None = None
    hottest_sensor_celsius: int | None = None  # of the sensors inside, which the temperature does not count
    highest_celsius: int | None = None  # of its life
    reallocated: int | None = None
    reallocation_events: int | None = None
    pending: int | None = None
    pending_log_entries: int | None = None  # ATA log of sectors that cannot be read, one entry each
    offline_uncorrectable: int | None = None
    # Attributes 1, 7 and 200 of makers that count errors there; None where the maker packs rates, or is not known.
    counted_read_errors: int | None = None
    counted_seek_errors: int | None = None
    counted_write_errors: int | None = None
    reported_uncorrectable: int | None = None
    command_timeouts: int | None = None
    end_to_end_errors: int | None = None
    spin_retries: int | None = None
    crc_errors: int | None = None
    phy_errors: int | None = None  # the most of any SATA phy event counter of damaged transfers
    program_failures: int | None = None
    erase_failures: int | None = None
    wear_percent_used: int | None = None
    available_spare_percent: int | None = None
    spare_threshold_percent: int | None = None
    write_protected: int | None = None  # not 0 where a solid-state drive has made itself read-only
    media_errors: int | None = None
    # Names of the NVMe warning bits that are set, () where none is: "spare" "temperature" "reliability" "read-only"
    # "power-backup" "persistent-memory" (bits 0 to 5), "bit-N". SCSI sense 0B/01 (too hot) gives "temperature" as
    # well, any other warning its code: "0b/04".
    critical_warnings: tuple[str, ...] | None = None
    warning_temperature_minutes: int | None = None
    critical_temperature_minutes: int | None = None
    unsafe_shutdowns: int | None = None
    power_off_retracts: int | None = None  # heads parked because the power went away
    load_cycles: int | None = None  # heads parked and loaded again
    shocks: int | None = None  # blows and falls that a sensor noticed
    grown_defects: int | None = None
    uncorrected_reads: int | None = None
    uncorrected_writes: int | None = None
    uncorrected_verifies: int | None = None
    non_medium_errors: int | None = None
    background_scan_errors: int | None = None
    background_scan_unreadable: int | None = None  # those that wait for a write or a reassignment
    failure_prediction: str | None = None  # SCSI additional sense "5d/xx" in lower-case hex; "5d/ff" is a test
    error_log_count: int | None = None
    host_bytes_written: int | None = None
    host_bytes_read: int | None = None
    last_selftest: SelfTest | None = None

    def completed_by(self, other: Values) -> Values:
        """These values, and those of `other` where the drive did not say."""
        completed = {name: getattr(other, name) for name in self.__struct_fields__ if getattr(self, name) is None}
        return msgspec.structs.replace(self, **completed)


class Gap(Value, frozen=True, kw_only=True):
    """Something a reading should have told and did not, or told implausibly.

    `code` is stable and kebab-case ("bridge-blocked", "smart-off", "table-junk", "hours-implausible", ...), `blocks`
    says whether it leaves no usable health data at all, `advice` what would help.
    """

    code: str
    what: str
    blocks: bool = False
    advice: str | None = None


Unanswered = Literal["everything", "logs"] | None


class Attached(Value, frozen=True, kw_only=True):
    """How the machine knows a live drive, whatever the drive itself says.

    `unanswered`: what it did not answer in time. `tried`: the ways through a USB bridge that were tried in vain.
    """

    model: str | None = None
    native_serial: str | None = None
    wwn: str | None = None
    namespace: int | None = None
    eui64: str | None = None
    nguid: str | None = None
    bridge_serial: str | None = None
    capacity_bytes: int | None = None
    unanswered: Unanswered = None
    tried: tuple[str, ...] = ()


class RawReport(Value, frozen=True, kw_only=True):
    """A report as it came: the backend's text, its exit status (None where pasted) and how it was asked.

    The rest is what the machine knew about the drive beside its report: the sector size it is attached with, its native
    size where some sectors are hidden, and the bridge in between. Together they are all a reading is decoded from.
    """

    text: str
    exit_status: int | None = None
    asked: tuple[str, ...] = ()
    attached_sector_bytes: int | None = None
    native_capacity_bytes: int | None = None
    bridge: str | None = None
    attached: Attached | None = None


class Reading(Value, frozen=True, kw_only=True):
    """One drive's report at one time. Saved as JSON; `raw` is what counts, the rest can be decoded from it again."""

    schema: Literal["drivecare/reading-1"] = "drivecare/reading-1"
    read_at: str | None = None  # ISO 8601 with offset; None where the report does not say
    zoneless_time: str | None = None  # as the report prints it, where its zone is not known: "2026-11-24T10:31:00 BST"
    path: str | None = None
    transport: str | None = None
    bridge: str | None = None
    drive_says: DriveSays = "silent"
    drive_says_words: str | None = None  # the drive's own verdict in its words
    qualifiers: tuple[str, ...] = ()  # what weakens that verdict: "attribute check only", "within 24 hours", ...
    drive: Drive = Drive()
    values: Values = Values()
    attributes: tuple[Attribute, ...] = ()
    selftests: tuple[SelfTest, ...] = ()  # newest first
    errors: LoggedErrors = LoggedErrors()
    unreadable_lbas: tuple[UnreadableLba, ...] = ()
    statistics: dict[str, int] = {}  # noqa: RUF012  msgspec copies it; device statistics by our names: "power_on_hours", "reallocated", ...
    gaps: tuple[Gap, ...] = ()
    raw: RawReport = RawReport(text="")
