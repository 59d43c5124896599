"""Reports of invented drives, as short as a question needs, and the backend's words when there is none."""

from __future__ import annotations

from drivecare.hardware.smart_port import BackendAnswer

BANNER = "smartctl 7.3 2022-02-28 r5338 [x86_64-linux-6.1.0-invented] (local build)\n\n"
IDLE = "(   0)\tThe previous self-test routine completed\n\t\t\t\t\twithout error or none has ever been run."


def running(percent: int) -> str:
    """The execution status of a test with this much still to go."""
    return f"( {0xF0 + percent // 10})\tSelf-test routine in progress...\n\t\t\t\t\t{percent}% of test remaining."


def sata(*, serial: str = "KX25-00417", pending: int = 0, status: str = IDLE, tests: tuple[str, ...] = ()) -> str:
    """An ATA drive's report. `tests`: rows of its self-test log, newest first, without their number."""
    rows = "".join(f"# {number}  {row}\n" for number, row in enumerate(tests, 1)) or "No self-tests have been logged.\n"
    return f"""{BANNER}=== START OF INFORMATION SECTION ===
Device Model:     Kestrel KD-500
Serial Number:    {serial}
Firmware Version: K2.07
User Capacity:    500,107,862,016 bytes [500 GB]
Sector Sizes:     512 bytes logical, 4096 bytes physical
Rotation Rate:    5400 rpm
Form Factor:      2.5 inches
ATA Version is:   ATA8-ACS T13/1699-D revision 6
SATA Version is:  SATA 3.0, 3.0 Gb/s (current: 3.0 Gb/s)
SMART support is: Available - device has SMART capability.
SMART support is: Enabled

=== START OF READ SMART DATA SECTION ===
SMART overall-health self-assessment test result: PASSED

General SMART Values:
Self-test execution status:      {status}
Short self-test routine
recommended polling time: \t (   2) minutes.

SMART Attributes Data Structure revision number: 16
Vendor Specific SMART Attributes with Thresholds:
ID# ATTRIBUTE_NAME          FLAG     VALUE WORST THRESH TYPE      UPDATED  WHEN_FAILED RAW_VALUE
  1 Raw_Read_Error_Rate     0x002f   200   200   051    Pre-fail  Always   -       0
  5 Reallocated_Sector_Ct   0x0033   200   200   140    Pre-fail  Always   -       0
  9 Power_On_Hours          0x0032   098   098   000    Old_age   Always   -       1904
194 Temperature_Celsius     0x0022   109   092   000    Old_age   Always   -       31
197 Current_Pending_Sector  0x0032   200   199   000    Old_age   Always   -       {pending}
198 Offline_Uncorrectable   0x0030   200   199   000    Old_age   Offline  -       0
199 UDMA_CRC_Error_Count    0x0032   200   200   000    Old_age   Always   -       0

SMART Self-test log structure revision number 1
Num  Test_Description    Status                  Remaining  LifeTime(hours)  LBA_of_first_error
{rows}"""


UNKNOWN_BRIDGE = BANNER + (
    "/dev/sdb: Unknown USB bridge [0x1d6b:0x0104 (0x100)]\nPlease specify device type with the -d option.\n"
)
NO_IDENTITY = BANNER + "Read Device Identity failed: scsi error unsupported field in scsi command\n"
UNKNOWN_TYPE = (
    BANNER
    + "/dev/sdb: Unknown device type 'morse'\n=======> VALID ARGUMENTS ARE: ata, scsi[+TYPE], nvme[,NSID], auto, "
    "test <=======\n"
)


def open_failed(reason: str) -> str:
    """The backend could not open the device."""
    return f"{BANNER}Smartctl open device: /dev/sda failed: {reason}\n"


def answer(text: str, exit_status: int | None = 0) -> BackendAnswer:
    """A recorded answer."""
    return BackendAnswer(text=text, exit_status=exit_status)


HUNG = BackendAnswer(text="", exit_status=None)
