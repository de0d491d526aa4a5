"""What the header of somebody else's FITS file says, and its pixels. Files are only ever read.

Keywords: FITS standard 4.0, section 9.5 (times) and its table of reserved words; the others are
common practice of capture programs, no source.
"""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polewright.calculation.images.frame import Frame, SensorKind
from polewright.foundation.angles import DEG, Vector, unit_vector
from polewright.foundation.errors import ImageError, in_words
from polewright.foundation.language import say

ENDINGS = (".fits", ".fit", ".fts", ".fits.fz", ".fit.fz", ".fits.gz", ".fit.gz", ".fts.gz")
#: Unix time 0 as modified Julian date.
MJD_OF_UNIX = 40587.0
#: Seconds by which other time scales are ahead of UTC (since 2017; IERS Bulletin C).
AHEAD_S = {"": 0.0, "UTC": 0.0, "UT": 0.0, "UT1": 0.0, "GMT": 0.0, "TAI": 37.0, "TT": 69.184}
#: Times of one header that differ by more contradict each other, s (own choice).
SAME_TIME_S = 2.0
_NO_LIGHT = ("dark", "bias", "flat", "offset", "master", "stack")
_BAYER = {"RGGB": (0, 0), "GRBG": (1, 0), "GBRG": (0, 1), "BGGR": (1, 1)}


class FrameUnusable(ImageError):
    """A file is no frame that can be used; ``kind`` is the same for all that are left out alike."""

    code = "frame_unusable"

    def __init__(self, path: str, kind: str) -> None:
        super().__init__(path, kind)
        self.path, self.kind = path, kind

    def __str__(self) -> str:
        return say("{path}: {kind}", path=self.path, kind=self.kind)


@dataclass(frozen=True, eq=False)
class FrameHeader:
    """What one file says of itself."""

    path: Path
    size: int
    mtime_ns: int
    width: int
    height: int
    utc_mid_s: float
    """Middle of the exposure, Unix seconds UTC, as the header tells it."""
    exposure_s: float
    time_spread_s: float
    """How far several times in the header are apart."""
    local_minus_utc_s: float | None
    """DATE-LOC minus DATE-OBS."""
    camera: str
    telescope: str
    pier_side: str
    rotator_deg: float | None
    mount_icrs: Vector | None
    """(3,) where the header says the mount points, taken as J2000."""
    focal_length_mm: float | None
    pixel_um: float | None
    """Of the frame, binning included."""
    altitude_deg: float | None
    azimuth_deg: float | None
    hour_angle_hours: float | None
    latitude_deg: float | None
    longitude_deg: float | None
    has_wcs: bool
    cards: Mapping[str, Any] = field(default_factory=dict, repr=False)

    @property
    def key(self) -> tuple[str, int, int]:
        """What marks this state of this file."""
        return str(self.path), self.size, self.mtime_ns


def frame_files(where: Path) -> list[Path]:
    """Return the FITS files of a folder and all below it, or the file itself, by name.

    Raises:
        FrameUnusable: there is no such folder or file.
    """
    try:
        if where.is_file():
            return [where]
        if not where.is_dir():
            raise FrameUnusable(str(where), say("there is no such file or folder"))
        found = (path for path in where.rglob("*") if path.name.lower().endswith(ENDINGS))
        return sorted(path for path in found if path.is_file() and path.name[0] != ".")
    except OSError as exc:
        raise FrameUnusable(str(where), in_words(exc)) from exc


def read_header(path: Path) -> FrameHeader:
    """Read what a file says, without its pixels.

    Raises:
        FrameUnusable: it cannot be read, is no exposure of the sky, or tells no time.
    """
    try:
        status = path.stat()
        with _opened(path) as (header, _hdu):
            return _understood(path, status.st_size, status.st_mtime_ns, header)
    except FrameUnusable:
        raise
    except Exception as exc:  # what a damaged file does to the library is of many kinds
        raise FrameUnusable(str(path), say("it cannot be read as FITS")) from exc


def read_frame(header: FrameHeader) -> Frame:
    """Read a file's pixels.

    Raises:
        FrameUnusable: they cannot be read.
    """
    try:
        with _opened(header.path) as (_cards, hdu):
            pixels = _pixels(hdu)
    except Exception as exc:
        raise FrameUnusable(str(header.path), say("it cannot be read as FITS")) from exc
    sensor, offset = SensorKind.MONO, (0, 0)
    if pixels.ndim == 3:
        if pixels.shape[0] not in (1, 3):
            raise FrameUnusable(str(header.path), say("it is no picture of one or three colours"))
        pixels = np.moveaxis(pixels, 0, -1) if pixels.shape[0] == 3 else pixels[0]
        sensor = SensorKind.PLANES if pixels.ndim == 3 else SensorKind.MONO
    elif (pattern := str(header.cards.get("BAYERPAT", "")).strip().upper()) in _BAYER:
        sensor = SensorKind.BAYER
        x, y = _BAYER[pattern]
        offset = (
            (x + round(_number(header.cards, "XBAYROFF") or 0.0)) % 2,
            (y + round(_number(header.cards, "YBAYROFF") or 0.0)) % 2,
        )
    return Frame(
        pixels,
        header.utc_mid_s,
        header.exposure_s,
        sensor=sensor,
        bayer_offset=offset,
        pixel_um=header.pixel_um,
        gain_e_per_adu=_positive(header.cards, "EGAIN"),
    )


class _opened:  # noqa: N801 - used like a function
    """The header and the unit of the first picture in a file, opened to be read only."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> tuple[Any, Any]:
        from astropy.io import fits

        self._warnings = warnings.catch_warnings()
        self._warnings.__enter__()
        warnings.simplefilter("ignore")  # foreign headers are seldom flawless
        try:
            self._file = fits.open(
                self._path, mode="readonly", memmap=False, do_not_scale_image_data=True
            )
        except BaseException:
            self._warnings.__exit__(None, None, None)
            raise
        for hdu in self._file:
            if getattr(hdu, "is_image", False) and hdu.header.get("NAXIS", 0) in (2, 3):
                return hdu.header, hdu
        self.__exit__()
        raise FrameUnusable(str(self._path), say("there is no picture in it"))

    def __exit__(self, *_exc: object) -> None:
        self._file.close()
        self._warnings.__exit__(None, None, None)


def _pixels(hdu: Any) -> NDArray[np.generic]:
    zero, scale = hdu.header.get("BZERO", 0), hdu.header.get("BSCALE", 1)
    data = hdu.data
    if data.dtype.kind == "i" and data.dtype.itemsize == 2 and (zero, scale) == (32768, 1):
        # Unsigned numbers are stored with 32768 taken off: the top bit turned over.
        native = data.astype("=i2").view(np.uint16)
        return np.asarray(np.bitwise_xor(native, np.uint16(0x8000), out=native))
    native = data.astype(data.dtype.newbyteorder("="))
    if (zero, scale) == (0, 1):
        return np.asarray(native)
    return np.asarray(native.astype(np.float32) * np.float32(scale) + np.float32(zero))


def _understood(path: Path, size: int, mtime_ns: int, header: Any) -> FrameHeader:
    cards = _Cards(header)
    kind = str(cards.get("IMAGETYP", cards.get("FRAME", ""))).lower()
    if any(word in kind for word in _NO_LIGHT):
        raise FrameUnusable(str(path), say("it is no exposure of the sky (dark, flat, stack)"))
    history = " ".join(str(line) for key in ("HISTORY", "COMMENT") for line in cards.lines(key))
    if re.search(r"\bregist(er|rat)|\baligned\b|\bstacked\b", history, re.IGNORECASE):
        raise FrameUnusable(
            str(path), say("it was registered or stacked, so its own rotation is gone")
        )
    exposure_s = _positive(cards, "EXPTIME") or _positive(cards, "EXPOSURE") or 0.0
    times = list(_mid_times(cards, exposure_s))
    if not times:
        raise FrameUnusable(str(path), say("its header tells no time of day"))
    ahead_s = AHEAD_S.get(str(cards.get("TIMESYS", "")).strip().upper())
    if ahead_s is None:
        raise FrameUnusable(str(path), say("its time scale (TIMESYS) is not UTC"))
    began = _date(cards.get("DATE-OBS"), cards.get("TIME-OBS"))
    local = _date(cards.get("DATE-LOC"), None)
    hours = _within(24.0, _angle_or_none(cards, "OBJCTHA") or _angle_or_none(cards, "HA"))
    return FrameHeader(
        path=path,
        size=size,
        mtime_ns=mtime_ns,
        width=int(cards["NAXIS1"]),
        height=int(cards["NAXIS2"]),
        utc_mid_s=times[0] - ahead_s,
        exposure_s=exposure_s,
        time_spread_s=max(times) - min(times),
        local_minus_utc_s=None if local is None or began is None else local - began,
        camera=str(cards.get("INSTRUME", "")).strip(),
        telescope=str(cards.get("TELESCOP", "")).strip(),
        pier_side=_pier_side(cards),
        rotator_deg=_first(cards, "ROTATANG", "ROTATOR", "ROTANGLE"),
        mount_icrs=_pointing(cards),
        focal_length_mm=_positive(cards, "FOCALLEN"),
        pixel_um=_positive(cards, "XPIXSZ") or _positive(cards, "PIXSIZE1"),
        # ALTITUDE is the height of the site in some headers, in metres.
        altitude_deg=_within(90.0, _first(cards, "CENTALT", "OBJCTALT", "ALTITUDE")),
        azimuth_deg=_first(cards, "CENTAZ", "OBJCTAZ", "AZIMUTH"),
        hour_angle_hours=hours,
        latitude_deg=_first(cards, "SITELAT", "LAT-OBS", "OBSLAT"),
        longitude_deg=_first(cards, "SITELONG", "LONG-OBS", "OBSLONG"),
        has_wcs=str(cards.get("CTYPE1", "")).startswith("RA--") and "CRVAL1" in cards,
        cards=dict(cards.items()),
    )


class _Cards(dict[str, Any]):
    """A header's cards whose values can be read at all."""

    def __init__(self, header: Any) -> None:
        super().__init__()
        self._lines: dict[str, list[str]] = {}
        for card in header.cards:
            try:
                key, value = card.keyword, card.value
            except Exception:  # noqa: BLE001, S112 - a broken card is as one that is not there
                continue
            if key in ("HISTORY", "COMMENT"):
                self._lines.setdefault(key, []).append(str(value))
            elif key:
                self.setdefault(key, value)

    def lines(self, key: str) -> list[str]:
        """All lines of HISTORY or COMMENT."""
        return self._lines.get(key, [])


def _mid_times(cards: Mapping[str, Any], exposure_s: float) -> Iterator[float]:
    """Yield every middle of the exposure that the header tells, the surest first."""
    half = 0.5 * exposure_s
    ways = (("AVG", 0.0), ("BEG", half), ("OBS", half), ("END", -half))
    for name, more_s in ways:
        clock = cards.get("TIME-OBS", cards.get("UT")) if name == "OBS" else None
        when = _date(cards.get(f"DATE-{name}"), clock)
        if when is not None:
            yield when + more_s
    for name, more_s in ways:
        mjd = _number(cards, f"MJD-{name}")
        if mjd is not None and 30000.0 < mjd < 100000.0:
            yield (mjd - MJD_OF_UNIX) * 86400.0 + more_s


def _date(text: Any, clock: Any) -> float | None:
    """Return Unix seconds of a FITS date with its time of day; None where there is no time."""
    if not isinstance(text, str):
        return None
    text = text.strip()
    if "T" not in text and isinstance(clock, str):
        text = f"{text}T{clock.strip()}"
    if "T" not in text:
        return None
    day, _, rest = text.partition("T")
    # Python 3.11 reads three or six decimals of a second; headers have any number.
    rest = re.sub(r"\.(\d+)", lambda m: "." + m.group(1)[:6].ljust(6, "0"), rest)
    try:
        when = datetime.fromisoformat(f"{day}T{rest}")
    except ValueError:
        return None
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


def _number(cards: Mapping[str, Any], key: str) -> float | None:
    value = cards.get(key)
    if isinstance(value, bool) or value is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None


def _positive(cards: Mapping[str, Any], key: str) -> float | None:
    number = _number(cards, key)
    return number if number is not None and number > 0.0 else None


def _first(cards: Mapping[str, Any], *keys: str) -> float | None:
    for key in keys:
        value = _angle_or_none(cards, key)
        if value is not None:
            return value
    return None


def _within(most: float, value: float | None) -> float | None:
    return value if value is not None and abs(value) <= most else None


def _angle_or_none(cards: Mapping[str, Any], key: str) -> float | None:
    """Return a number, or one written as "dd mm ss" or "hh:mm:ss" in its own unit."""
    value = cards.get(key)
    if not isinstance(value, str):
        return _number(cards, key)
    parts = re.split(r"[\s:]+", value.strip())
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        return None
    if not 1 <= len(numbers) <= 3:
        return None
    size = sum(abs(number) / 60.0**k for k, number in enumerate(numbers))
    if not math.isfinite(size):
        return None
    return -size if parts[0].startswith("-") else size


def _pier_side(cards: Mapping[str, Any]) -> str:
    """EAST or WEST of the pier; empty where it is not told."""
    word = str(cards.get("PIERSIDE", cards.get("SIDEOFPI", ""))).strip().upper()
    return next((side for side in ("EAST", "WEST") if word.endswith(side)), "")


def _pointing(cards: Mapping[str, Any]) -> Vector | None:
    for ra_key, dec_key in (("OBJCTRA", "OBJCTDEC"), ("RA", "DEC"), ("CRVAL1", "CRVAL2")):
        ra, dec = _angle_or_none(cards, ra_key), _angle_or_none(cards, dec_key)
        if ra is None or dec is None or abs(dec) > 90.0:
            continue
        written_out = isinstance(cards.get(ra_key), str) and ra_key != "CRVAL1"
        return unit_vector(ra * (15.0 if written_out else 1.0) * DEG, dec * DEG)
    return None
