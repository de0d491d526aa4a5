"""Coverage-guided fuzzing of everything that reads what others wrote, with atheris.

    python tests/bench/fuzz_parsers.py                      # all targets, 20 s each
    python tests/bench/fuzz_parsers.py imagebytes --seconds 60

Each target may raise the errors that it promises and nothing else, and may take 5 s at most for
an input. Every target runs in a process of its own. What is found is printed as bytes; turn it
into a test before mending it.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import re
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

Target = Callable[[bytes], None]
MOST_BYTES = 2048


def imagebytes() -> tuple[Target, list[bytes]]:
    """Image data as a camera sends it."""
    import struct

    from polewright.devices.alpaca.errors import AlpacaError, Where
    from polewright.devices.alpaca.imagebytes import HEADER, decode_imagebytes

    where = Where("h", 1, "camera")
    good = HEADER.pack(1, 0, 7, 8, 44, 2, 8, 2, 3, 2, 0) + struct.pack("<6H", *range(6))

    def one(data: bytes) -> None:
        with contextlib.suppress(AlpacaError):
            decode_imagebytes(data, where).pixels.sum()

    return one, [good, HEADER.pack(1, 1025, 7, 8, 44, 2, 8, 2, 3, 2, 0) + b"no"]


def image_json() -> tuple[Target, list[bytes]]:
    """The same in its JSON form."""
    from polewright.devices.alpaca.errors import AlpacaError, Where
    from polewright.devices.alpaca.imagebytes import decode_json

    where = Where("h", 1, "camera")

    def one(data: bytes) -> None:
        with contextlib.suppress(AlpacaError):
            decode_json(data, where).pixels.sum()

    return one, [b'{"Type":2,"Rank":2,"Value":[[1,2],[3,4]],"ErrorNumber":0}', b'{"Value":[[[1]]]}']


def reply() -> tuple[Target, list[bytes]]:
    """Any JSON answer of a device, and every way to read its value."""
    from polewright.devices.alpaca import models
    from polewright.devices.alpaca.errors import AlpacaError, Where

    where = Where("h", 1, "telescope")
    kinds: tuple[Any, ...] = (
        models.FLOAT,
        models.INT,
        models.BOOL,
        models.TEXT,
        models.TEXTS,
        models.DEVICES,
    )

    def one(data: bytes) -> None:
        try:
            answer = models.parse_reply(data, where, "m")
        except AlpacaError:
            return
        for kind in kinds:
            with contextlib.suppress(AlpacaError):
                models.convert(kind, answer.Value, where, "m")

    return one, [b'{"Value":1.5,"ErrorNumber":0,"ErrorMessage":"","ClientTransactionID":3}', b"[]"]


def utc() -> tuple[Target, list[bytes]]:
    """A driver's date."""
    from polewright.devices.alpaca.models import parse_utc

    def one(data: bytes) -> None:
        with contextlib.suppress(ValueError):
            parse_utc(data.decode("utf-8", "replace"))

    return one, [b"2026-09-20T12:00:00.0Z", b"2026-09-20T12:00:00+02:00"]


def discovery() -> tuple[Target, list[bytes]]:
    """An answer to the discovery broadcast."""
    from polewright.devices.alpaca.discovery import parse_answer

    def one(data: bytes) -> None:
        port = parse_answer(data)
        assert port is None or 1 <= port <= 65535

    return one, [b'{"AlpacaPort": 32323}', b'{"AlpacaPort": "80"}']


def horizon() -> tuple[Target, list[bytes]]:
    """A horizon file."""
    from polewright.calculation.planning.horizon_text import format_horizon, parse_horizon
    from polewright.foundation.errors import PolewrightError

    def one(data: bytes) -> None:
        try:
            found = parse_horizon(data.decode("utf-8", "replace").splitlines())
        except PolewrightError:
            return
        parse_horizon(format_horizon(found).splitlines())

    return one, [b"0 20\n90 30.5\n270 10\n", b"# trees\nclearance 2\n0 10\n180 20\n"]


def config() -> tuple[Target, list[bytes]]:
    """A configuration file."""
    from polewright.foundation.config import config_from_text
    from polewright.foundation.errors import ConfigError

    def one(data: bytes) -> None:
        with contextlib.suppress(ConfigError):
            config_from_text(data.decode("utf-8", "replace"))

    return one, [b"[site]\nlatitude_deg = 44.0\n", b"[pole]\ntolerance_arcmin = 1\n[sweep]\n"]


def journal() -> tuple[Target, list[bytes]]:
    """A session's journal: listed, taken up, recalled, and published."""
    from polewright.interfaces.publishing.journal_status import standing_of
    from polewright.interfaces.web.journals import session_items
    from polewright.session.journal import SUFFIX, read_journal
    from polewright.session.resume import CannotTakeUp, find_anchor, recall

    folder = Path(tempfile.mkdtemp(prefix="fuzz-journal-"))
    path = folder / f"s{SUFFIX}"

    def one(data: bytes) -> None:
        path.write_bytes(data)
        records = read_journal(path)
        session_items(folder, None)
        recall(records)
        standing_of(reversed(records))
        with contextlib.suppress(CannotTakeUp):
            find_anchor(records)

    anchor = {
        "axis": [0.0, 0.7, 0.7],
        "covariance": [[1e-9, 0, 0], [0, 1e-9, 0], [0, 0, 1e-9]],
        "reference": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
    }
    lines = [
        {"utc_s": 1.0, "kind": "step", "data": {"step": "adjusting", "was": "sweeping"}},
        {"utc_s": 2.0, "kind": "anchor", "data": anchor},
        {"utc_s": 3.0, "kind": "moved", "data": {"moves": 3}},
        {"utc_s": 4.0, "kind": "event", "data": {"kind": "reading_taken", "state": "settled"}},
        {"utc_s": 5.0, "kind": "end", "data": {"outcome": 0, "step": "finished"}},
    ]
    seeds = [json.dumps(line).encode() + b"\n" for line in lines]
    return one, [*seeds, b"".join(seeds)]


def result() -> tuple[Target, list[bytes]]:
    """A result document that a report or the history is given."""
    from pydantic import ValidationError

    from polewright.foundation.errors import PolewrightError
    from polewright.records.history.exchange import read_jsonl
    from polewright.records.result import MeasurementResult

    path = Path(tempfile.mkdtemp(prefix="fuzz-result-")) / "runs.jsonl"

    def one(data: bytes) -> None:
        with contextlib.suppress(ValidationError):
            MeasurementResult.model_validate_json(data)
        path.write_bytes(data)
        with contextlib.suppress(PolewrightError):
            read_jsonl(path)

    return one, [b'{"software":"x","axis":{"total_arcmin":1.0},"points":[]}', b'{"run_id":"a"}\n']


def wcs() -> tuple[Target, list[bytes]]:
    """The FITS header with which a solver program answers."""
    from astropy.io import fits

    from polewright.foundation.errors import PolewrightError
    from polewright.solving.external.external_solution import header_with_wcs
    from polewright.solving.external.wcs import attitude_from_header

    path = Path(tempfile.mkdtemp(prefix="fuzz-wcs-")) / "answer.wcs"
    header = fits.Header()
    for key, value in {
        "SIMPLE": True,
        "BITPIX": 8,
        "NAXIS": 0,
        "CTYPE1": "RA---TAN",
        "CTYPE2": "DEC--TAN",
        "CRVAL1": 10.0,
        "CRVAL2": 60.0,
        "CRPIX1": 320.5,
        "CRPIX2": 240.5,
        "CD1_1": -0.001,
        "CD1_2": 0.0,
        "CD2_1": 0.0,
        "CD2_2": 0.001,
    }.items():
        header[key] = value
    out = io.BytesIO()
    fits.PrimaryHDU(header=header).writeto(out)
    text = "\n".join(card.image.rstrip() for card in header.cards).encode() + b"\nEND\n"

    def one(data: bytes) -> None:
        path.write_bytes(data)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                found = header_with_wcs(path)
                if found is not None:
                    attitude_from_header(found, 640, 480, "fuzz")
            except PolewrightError:
                pass

    return one, [out.getvalue()[:MOST_BYTES], out.getvalue(), text]


TARGETS = {
    make.__name__: make
    for make in (
        imagebytes,
        image_json,
        reply,
        utc,
        discovery,
        horizon,
        config,
        journal,
        result,
        wcs,
    )
}


def fuzz_here(name: str, seconds: int) -> None:
    """Fuzz one target in this process; ends the process."""
    import atheris

    with atheris.instrument_imports(include=["polewright"]):
        one, seeds = TARGETS[name]()
    corpus = Path(tempfile.mkdtemp(prefix=f"fuzz-{name}-"))
    for number, seed in enumerate(seeds):
        (corpus / str(number)).write_bytes(seed)
    most = max(MOST_BYTES, *(2 * len(seed) for seed in seeds))
    arguments = [
        sys.argv[0],
        str(corpus),
        f"-max_total_time={seconds}",
        f"-max_len={most}",
        "-timeout=5",
        "-rss_limit_mb=1500",
        "-seed=1",
        f"-artifact_prefix={corpus}/",
        "-print_final_stats=1",
    ]
    atheris.Setup(arguments, one)
    atheris.Fuzz()


def main() -> None:
    """Parse the command line and run the targets one after another."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("targets", nargs="*", choices=[*TARGETS, []], help="all if left out")
    parser.add_argument("--seconds", type=int, default=20, help="for each target")
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.here:
        fuzz_here(chosen.targets[0], chosen.seconds)
    crashes = 0
    print("| target | executions | outcome |\n|---|---:|---|")
    for name in chosen.targets or TARGETS:
        done = subprocess.run(
            [sys.executable, __file__, name, "--here", "--seconds", str(chosen.seconds)],
            capture_output=True,
            timeout=chosen.seconds + 120,
            check=False,
        )
        text = done.stderr.decode(errors="replace") + done.stdout.decode(errors="replace")
        counts = re.findall(r"number_of_executed_units: (\d+)", text) or re.findall(
            r"Done (\d+) runs", text
        )
        good = done.returncode == 0
        crashes += not good
        print(f"| {name} | {counts[-1] if counts else '?'} | {'clean' if good else 'CRASH'} |")
        if not good:
            print(text[-3000:], file=sys.stderr)
        sys.stdout.flush()
    sys.exit(min(crashes, 1))


if __name__ == "__main__":
    main()
