"""JSON Schemas of every document drivecare writes.

They are made from the types by `python -m drivecare.schemas` and shipped beside this file as NAME-VERSION.json;
tests/test_schemas.py fails when a type and its file disagree. A number moves only on a breaking change: fields may be
added within a version.
"""

from __future__ import annotations

import importlib
import inspect
from typing import Any

import msgspec

# Document name -> where its type lives. Imported one by one, so that asking for one schema imports one room.
DOCUMENTS: dict[str, str] = {
    "drives-1": "drivecare.work.attached_drives:AttachedDrives",
    "reading-1": "drivecare.reading.model:Reading",
    "assessment-1": "drivecare.risk.model:Assessment",
    "assessments-1": "drivecare.work.assess:Assessments",
    "assess-table-1": "drivecare.work.assess_table:TableSummary",
    "evaluation-1": "drivecare.risk.evaluation:Evaluation",
    "rules-1": "drivecare.risk.rules:RulesDocument",
    "selftest-1": "drivecare.work.self_test:SelfTestReport",
    "readscan-1": "drivecare.reading.surface:SurfaceScan",
    "readscan-state-1": "drivecare.transfer.sectors.surface_scan:ScanState",
    "hosts-1": "drivecare.fit.model:HostList",
    "host-1": "drivecare.fit.host_profile:HostDocument",
    "host-check-1": "drivecare.fit.host_profile:HostCheck",
    "plan-1": "drivecare.fit.model:Plan",
    "journal-1": "drivecare.transfer.sectors.journal:Journal",
    "receipt-1": "drivecare.transfer.sectors.receipt:Receipt",
    "copies-1": "drivecare.work.copied_targets:CopiedTargets",
    "bag-1": "drivecare.transfer.files.bag:BagReceipt",
    "bagcheck-1": "drivecare.transfer.files.bag:ForeignBag",
    "contents-1": "drivecare.contents.model:Contents",
    "opening-1": "drivecare.job.model:Opening",
    "fact-1": "drivecare.job.model:Fact",
    "closing-1": "drivecare.job.model:Closing",
    "names-1": "drivecare.job.file_names:FileNames",
    "customer-note-1": "drivecare.job.customer_notes:CustomerNote",
    "withdrawal-1": "drivecare.job.model:Withdrawal",
    "move-1": "drivecare.job.model:Move",
    "change-1": "drivecare.job.model:Change",
    "job-1": "drivecare.job.model:JobTimeline",
    "jobs-1": "drivecare.job.overview:JobList",
    "history-1": "drivecare.job.overview:History",
    "shop-report-1": "drivecare.job.overview:ShopReport",
    "next-1": "drivecare.job.model:NextStep",
    "gate-1": "drivecare.job.model:Gate",
    "handover-1": "drivecare.job.model:Handover",
    "labels-1": "drivecare.job.model:DriveLabels",
    "export-1": "drivecare.job.model:Export",
    "record-setup-1": "drivecare.record.model:RecordSetup",
    "record-push-1": "drivecare.record.model:RecordPush",
    "record-copy-1": "drivecare.record.model:RecordCopy",
    "demo-1": "drivecare.cli.demo:Demo",
    "doctor-1": "drivecare.work.check_up:Checkup",
}


def document_type(name: str) -> type[msgspec.Struct]:
    """The type behind a document name such as `reading-1`."""
    module, _, attribute = DOCUMENTS[name].partition(":")
    kind = getattr(importlib.import_module(module), attribute)
    assert isinstance(kind, type)
    assert issubclass(kind, msgspec.Struct)
    return kind


def make_schema(name: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a document, made from its type."""
    kind = document_type(name)
    (described,), definitions = msgspec.json.schema_components([kind], ref_template="#/$defs/{name}")
    for definition in definitions.values():
        if "description" in definition:  # a docstring, whose indentation newer Pythons take away themselves
            definition["description"] = inspect.cleandoc(definition["description"])
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"drivecare/{name}",
        **described,
        "$defs": definitions,
    }


def schema_bytes(name: str) -> bytes:
    """The schema as the file that ships: indented UTF-8 JSON, the same for the same type."""
    return msgspec.json.format(msgspec.json.encode(make_schema(name), order="sorted"), indent=2) + b"\n"
