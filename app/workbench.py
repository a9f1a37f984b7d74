"""The workbench's page: a study in, what its pumps can hold and what its tuning is worth out.

Start it with ``streamlit run app/workbench.py``. The page only shows: the library computes all of
it, and ``chamberctl report`` makes the full report of the same study without the page.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

import streamlit as st

import chamberctl as cc
from chamberctl import figures
from chamberctl.control.forms import ACTION_SENTENCE
from chamberctl.display import Display, number

MARGINS = {
    "gain margin": "gain_margin",
    "phase margin [°]": "phase_margin_deg",
    "delay margin [s]": "delay_margin_s",
    "Ms": "ms",
}


def chosen_study() -> cc.Study | None:
    """Return the study that the user picked or uploaded; None while there is none."""
    own = "my own study file"
    name = st.selectbox("Study", [*cc.presets(), own])
    if name != own:
        return cc.load(f"preset:{name}")
    upload = st.file_uploader("Study file (TOML)", type="toml", max_upload_size=1)
    if upload is None:
        st.info(
            "A study is one TOML file. Copy a preset out with `chamberctl presets` to start one."
        )
        return None
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, Path(upload.name).name)
        file.write_bytes(upload.getvalue())
        return cc.load(file)


def show_findings(findings: Sequence[cc.Finding]) -> None:
    """Show findings, the weighty ones first."""
    looks = {"no": st.error, "caution": st.warning, "note": st.info}
    for severity, look in looks.items():
        for finding in findings:
            if finding.severity == severity:
                look(f"**{finding.subject}:** {finding.text}")


@st.cache_resource(max_entries=8, show_spinner="Computing the window and the tuning ...")
def worked_out(text: str, _study: cc.Study) -> tuple[cc.OperatingWindow, cc.Tuning | cc.Infeasible]:
    """Return window and tuning, or the refusal in place of a tuning; kept by the study's text."""
    try:
        return cc.operating_window(_study), cc.tune(_study)
    except cc.Infeasible as refusal:
        return cc.operating_window(_study), refusal


def show_window(study: cc.Study, window: cc.OperatingWindow) -> None:
    """Show what the pumps can hold."""
    st.header("What the pumps can hold")
    figure = figures.operating_window(window, study)
    st.image(figures.to_svg(figure, "window"), caption=figure.alt)
    show_findings(window.findings)


def show_tuning(study: cc.Study, tuning: cc.Tuning) -> None:
    """Show the settings as they will be typed in and the margins of these at every duty point."""
    unit = Display.of(study)
    st.header("Settings to type in")
    st.markdown(f"**{ACTION_SENTENCE}**")
    st.table(
        [
            {"setting": row.label, "value": row.text, "unit": row.unit, "meaning": row.meaning}
            for row in tuning.typed.rows
        ]
    )
    st.header("Margins at every duty point")
    st.table(
        [
            {
                "duty point": tuned.point.where,
                "indicated": unit.pressure_text(tuned.point.indicated_pa),
                "true": unit.pressure_text(tuned.point.pressure_pa),
                "gas load": unit.gas_load_text(tuned.point.gas_load_pa_m3_s),
                "speed": unit.speed_text(tuned.point.speed),
                **{name: number(getattr(tuned.margins, key)) for name, key in MARGINS.items()},
            }
            for tuned in tuning.points
        ]
    )
    for point in tuning.refused:
        st.error(f"**{point.where}:** {point.reason} {point.nearest}")
    show_findings(tuning.findings)


def show_cautions() -> None:
    """Show the whole safety text."""
    st.header("Cautions")
    for caution in cc.CAUTIONS:
        st.markdown(f"**{caution.title}.** {caution.text}")


def main() -> None:
    """Draw the page."""
    st.set_page_config(page_title="chamberctl", layout="wide")
    st.title("Hold a vacuum chamber at pressure by pump speed")
    try:
        study = chosen_study()
        if study is not None:
            st.subheader(study.title)
            window, tuning = worked_out(study.text, study)
            show_window(study, window)
            if isinstance(tuning, cc.Infeasible):
                st.error(f"No settings: {tuning.reason} {tuning.nearest}")
            else:
                show_tuning(study, tuning)
    except cc.InputError as problem:
        st.error("This study cannot be used.")
        for entry in problem.problems:
            st.code(str(entry), language=None)
    show_cautions()


main()
