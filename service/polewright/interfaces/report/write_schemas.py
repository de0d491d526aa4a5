"""The published JSON schemas (draft 2020-12) of what the program prints and stores."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from polewright.interfaces.publishing.status_now import StatusDocument
from polewright.interfaces.report import documents
from polewright.observing.runs.check_result import CheckResult, FocusResult
from polewright.observing.runs.drift_run import DriftResult
from polewright.observing.runs.examination import Examination
from polewright.records.history.run_record import RunRecord
from polewright.records.result import MeasurementResult
from polewright.session.snapshot import SessionSnapshot

DIALECT = "https://json-schema.org/draft/2020-12/schema"
DOCUMENTS: dict[str, type[BaseModel]] = {
    "measurement": MeasurementResult,
    "run": RunRecord,
    "session": SessionSnapshot,
    "align": documents.AlignDocument,
    "attached": documents.AttachedDocument,
    "bestpole": documents.BestpoleDocument,
    "catalogue-build": documents.CatalogueBuildDocument,
    "catalogue-remove": documents.CatalogueRemoveDocument,
    "catalogue-show": documents.CatalogueShowDocument,
    "check": CheckResult,
    "devices": documents.DevicesDocument,
    "drift": DriftResult,
    "error": documents.ErrorDocument,
    "examine": Examination,
    "focus": FocusResult,
    "history-import": documents.HistoryImportDocument,
    "history-list": documents.HistoryListDocument,
    "history-trend": documents.HistoryTrendDocument,
    "horizon": documents.HorizonDocument,
    "passive": documents.PassiveDocument,
    "plan": documents.PlanDocument,
    "preset": documents.PresetDocument,
    "profile": documents.ProfileDocument,
    "report": documents.ReportDocument,
    "serve": documents.ServeDocument,
    "service-install": documents.ServiceInstallDocument,
    "service-show": documents.ServiceShowDocument,
    "service-uninstall": documents.ServiceUninstallDocument,
    "startup": documents.StartupDocument,
    "status": StatusDocument,
    "tolerance": documents.ToleranceDocument,
}
#: The schemas of what a command prints with --json, `error` apart, which all of them may print.
PRINTED = {
    "adjust": ("align", "attached"),
    "align": ("align",),
    "bestpole": ("bestpole",),
    "catalogue build": ("catalogue-build",),
    "catalogue remove": ("catalogue-remove",),
    "catalogue show": ("catalogue-show",),
    "check": ("check", "focus"),
    "devices": ("devices",),
    "drift": ("drift",),
    "examine": ("examine",),
    "history import": ("history-import",),
    "history list": ("history-list",),
    "history show": ("run",),
    "history trend": ("history-trend",),
    "horizon": ("horizon",),
    "measure": ("measurement",),
    "passive": ("passive",),
    "plan": ("plan",),
    "preset": ("preset",),
    "profile": ("profile",),
    "report": ("report",),
    "serve": ("serve",),
    "service install": ("service-install",),
    "service show": ("service-show",),
    "service uninstall": ("service-uninstall",),
    "startup": ("startup",),
    "status": ("status",),
    "tolerance": ("tolerance",),
}


def schema_of(name: str) -> dict[str, Any]:
    """Return the schema as the models have it now."""
    model = DOCUMENTS[name]
    return {
        "$schema": DIALECT,
        "$id": f"urn:polewright:schema:{name}:1",
        **model.model_json_schema(mode="serialization"),
    }


def published(name: str) -> dict[str, Any]:
    """Return the schema as it is shipped."""
    file = resources.files("polewright.interfaces.report").joinpath("schema", f"{name}.json")
    found: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    return found


def write_all(folder: Path) -> list[Path]:
    """Write every schema anew; for whoever changes a model."""
    written = []
    for name in DOCUMENTS:
        path = folder / f"{name}.json"
        text = json.dumps(schema_of(name), indent=1, ensure_ascii=False)
        path.write_text(text + "\n", encoding="utf-8")
        written.append(path)
    return written


if __name__ == "__main__":  # python -m polewright.interfaces.report.write_schemas
    write_all(Path(__file__).with_name("schema"))
