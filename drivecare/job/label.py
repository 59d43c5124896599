"""Labels to print and stick on the drives of a job, so that nobody takes the old one for the new one."""

from __future__ import annotations

from drivecare import __version__
from drivecare.clock import format_day
from drivecare.errors import BadInput
from drivecare.format import format_bytes
from drivecare.job.customer import unit_name
from drivecare.job.html_page import clip, page_environment
from drivecare.job.job_state import JobState
from drivecare.job.model import DriveLabel, DriveRole
from drivecare.reading.model import Drive


def list_labels(job: JobState) -> tuple[DriveLabel, ...]:
    """List a label for each drive that the job knows. Raises BadInput where it knows none."""
    labels = []
    dead = job.newest_fact("dead-drive")
    if job.old_drive is not None:
        labels.append(_label_of("old", job.old_drive.document.drive))
    elif dead is not None:
        labels.append(DriveLabel(role="old", serial=dead.document.about))
    if job.new_drive is not None and job.route != "same-drive":
        labels.append(_label_of("new", job.new_drive.document.drive))
    if not labels:
        hint = f"Read one first: drivecare assess DRIVE --job {job.id}"
        raise BadInput("knows no drive yet", location=f"job {job.id}", hint=hint)
    return tuple(labels)


def _label_of(role: DriveRole, drive: Drive) -> DriveLabel:
    size = None if drive.capacity_bytes is None else format_bytes(drive.capacity_bytes)
    return DriveLabel(role=role, model=drive.model, serial=drive.serial, size=size)


def render_labels(job: JobState, labels: tuple[DriveLabel, ...]) -> str:
    """Render the page that holds these labels as HTML."""
    environment = page_environment()
    environment.filters["clip"] = clip
    return environment.get_template("label.html.jinja").render(
        mark=f"drivecare {__version__}", job=job, labels=labels, unit=unit_name(job), today=format_day(job.now)
    )
