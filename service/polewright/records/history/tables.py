"""The tables: each run's whole document, and columns to find and compare runs by.

Angles in columns carry their unit. Times are Unix seconds UTC.
"""

from __future__ import annotations

import sqlalchemy as sa

#: The newest migration in ``migrations/versions``; a test holds the two together.
HEAD = "0001"

metadata = sa.MetaData()


def _run_id() -> sa.Column[str]:
    return sa.Column(
        "run_id",
        sa.String(64),
        sa.ForeignKey("runs.run_id", ondelete="CASCADE"),
        primary_key=True,
    )


runs = sa.Table(
    "runs",
    metadata,
    sa.Column("run_id", sa.String(64), primary_key=True),
    sa.Column("pier", sa.String(200), nullable=False),
    sa.Column("kind", sa.String(20), nullable=False),
    sa.Column("rehearsal", sa.Boolean, nullable=False),
    sa.Column("started_utc_s", sa.Float(53), nullable=False),
    sa.Column("finished_utc_s", sa.Float(53), nullable=False),
    sa.Column("outcome", sa.Integer, nullable=False),
    sa.Column("adjusted_after", sa.Boolean, nullable=False),
    sa.Column("telescope", sa.String(200), nullable=False),
    sa.Column("camera", sa.String(200), nullable=False),
    sa.Column("latitude_deg", sa.Float(53)),
    sa.Column("longitude_deg", sa.Float(53)),
    sa.Column("software", sa.String(100), nullable=False),
    sa.Column("document", sa.JSON, nullable=False),
    sa.Index("runs_by_pier_and_time", "pier", "started_utc_s"),
)

measurements = sa.Table(
    "measurements",
    metadata,
    _run_id(),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("utc_s", sa.Float(53), nullable=False),
    sa.Column("pole", sa.String(20), nullable=False),
    sa.Column("axis_azimuth_deg", sa.Float(53), nullable=False),
    sa.Column("axis_altitude_deg", sa.Float(53), nullable=False),
    sa.Column("d_alt_arcmin", sa.Float(53), nullable=False),
    sa.Column("d_az_sky_arcmin", sa.Float(53), nullable=False),
    sa.Column("total_arcmin", sa.Float(53), nullable=False),
    sa.Column("upper95_arcmin", sa.Float(53), nullable=False),
    sa.Column("var_alt_arcmin2", sa.Float(53), nullable=False),
    sa.Column("var_az_sky_arcmin2", sa.Float(53), nullable=False),
    sa.Column("cov_az_alt_arcmin2", sa.Float(53), nullable=False),
    sa.Column("chi2", sa.Float(53), nullable=False),
    sa.Column("dof", sa.Integer, nullable=False),
    sa.Column("p_value", sa.Float(53)),
    sa.Column("points", sa.Integer, nullable=False),
    sa.Column("tolerance_arcmin", sa.Float(53), nullable=False),
    sa.Column("within_tolerance", sa.Boolean, nullable=False),
    sa.Column("predicted_sigma_arcsec", sa.Float(53)),
)

solves = sa.Table(
    "solves",
    metadata,
    _run_id(),
    sa.Column("sweep", sa.Integer, primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("utc_s", sa.Float(53), nullable=False),
    sa.Column("ra_deg", sa.Float(53), nullable=False),
    sa.Column("dec_deg", sa.Float(53), nullable=False),
    sa.Column("azimuth_deg", sa.Float(53), nullable=False),
    sa.Column("altitude_deg", sa.Float(53), nullable=False),
    sa.Column("exposure_s", sa.Float(53), nullable=False),
    sa.Column("star_count", sa.Integer, nullable=False),
    sa.Column("matched", sa.Integer, nullable=False),
    sa.Column("rms_arcsec", sa.Float(53), nullable=False),
    sa.Column("scale_arcsec_per_px", sa.Float(53), nullable=False),
    sa.Column("sigma_pointing_arcsec", sa.Float(53), nullable=False),
    sa.Column("sigma_roll_arcsec", sa.Float(53), nullable=False),
    sa.Column("solver", sa.String(100), nullable=False),
    sa.Column("solve_s", sa.Float(53), nullable=False),
)

readings = sa.Table(
    "readings",
    metadata,
    _run_id(),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("utc_s", sa.Float(53), nullable=False),
    sa.Column("state", sa.String(20), nullable=False),
    sa.Column("d_alt_arcmin", sa.Float(53), nullable=False),
    sa.Column("d_az_sky_arcmin", sa.Float(53), nullable=False),
    sa.Column("action", sa.String(40), nullable=False),
)
