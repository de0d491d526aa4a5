"""Runs, measurements, solves and readings.

The tables are spelled out here, because the program's own description of them will move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "runs",
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
    )
    op.create_index("runs_by_pier_and_time", "runs", ["pier", "started_utc_s"])
    op.create_table(
        "measurements",
        sa.Column(
            "run_id",
            sa.String(64),
            sa.ForeignKey("runs.run_id", ondelete="CASCADE"),
            primary_key=True,
        ),
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
    op.create_table(
        "solves",
        sa.Column(
            "run_id",
            sa.String(64),
            sa.ForeignKey("runs.run_id", ondelete="CASCADE"),
            primary_key=True,
        ),
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
    op.create_table(
        "readings",
        sa.Column(
            "run_id",
            sa.String(64),
            sa.ForeignKey("runs.run_id", ondelete="CASCADE"),
            primary_key=True,
        ),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("utc_s", sa.Float(53), nullable=False),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("d_alt_arcmin", sa.Float(53), nullable=False),
        sa.Column("d_az_sky_arcmin", sa.Float(53), nullable=False),
        sa.Column("action", sa.String(40), nullable=False),
    )


def downgrade() -> None:
    """Remove them; what they hold is lost."""
    for name in ("readings", "solves", "measurements", "runs"):
        op.drop_table(name)
