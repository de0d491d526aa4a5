"""Whether astrometry.net's solve-field can be compared with."""

from __future__ import annotations

import shutil
from pathlib import Path

SOLVE_FIELD = shutil.which("solve-field")
#: Debian keeps the indexes of its data packages here.
INSTALLED = SOLVE_FIELD is not None and any(Path("/usr/share/astrometry").glob("index-*.fits"))
