"""Fuzzes the service by its own OpenAPI document with schemathesis, over real loopback HTTP.

    python tests/bench/fuzz_service.py --examples 100

There is no rig: nothing listens where the mount should be, so that a session that a request
starts fails at once and nothing can move. The endless event stream is left out.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import config_from_text
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.metrics import Metrics
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService

TOKEN = "a-token-for-fuzzing-0123456789"
# Not "positive_data_acceptance": most well-formed requests are refused in an idle service (409).
# Not "unsupported_method": foreign methods are tested by hand in tests/serving.
CHECKS = (
    "not_a_server_error,status_code_conformance,content_type_conformance,"
    "response_schema_conformance,negative_data_rejection,ignored_auth"
)


def run(examples: int, seed: int, limit_s: float, quick: bool = False) -> int:
    """Return schemathesis' exit code: 0 when it found nothing."""
    with tempfile.TemporaryDirectory() as folder:
        fixed = {
            "telescope.host": "127.0.0.1",
            "telescope.port": 9,
            "telescope.device_number": 0,
            "run.journal_folder": folder,
            "history.enabled": False,
        }
        metrics = Metrics()
        runner = SessionRunner(
            lambda extra: config_from_text("", overrides={**fixed, **extra}),
            SystemClock(),
            listener=metrics,
        )
        app = create_app(runner, TOKEN, metrics=metrics)
        with RunningService(app, "127.0.0.1", 0, runner.feed) as service:
            command = [
                str(Path(sys.executable).with_name("schemathesis")),
                "run",
                f"{service.url}api/openapi.json",
                "--header",
                f"Authorization: Bearer {TOKEN}",
                "--checks",
                CHECKS,
                "--max-examples",
                str(examples),
                "--seed",
                str(seed),
                "--phases",
                "fuzzing" if quick else "examples,coverage,fuzzing",
                "--exclude-path",
                "/api/session/events",
                *(("--exclude-path", "/api/stop") if quick else ()),
                "--request-timeout",
                "20",
                "--generation-database",
                "none",
                "--continue-on-failure",
                "--no-color",
            ]
            done = subprocess.run(
                command, cwd=folder, timeout=limit_s, check=False, env={**os.environ, "CI": "1"}
            )
        runner.close()
    return done.returncode


def main() -> None:
    """Parse the command line and fuzz."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=100, help="of each operation")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--limit", type=float, default=600.0, help="seconds, for all")
    parser.add_argument(
        "--quick", action="store_true", help="at random only, and no hard stop (it tries for long)"
    )
    chosen = parser.parse_args()
    sys.exit(run(chosen.examples, chosen.seed, chosen.limit, chosen.quick))


if __name__ == "__main__":
    main()
