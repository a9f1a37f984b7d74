"""Many draws of a scenario: asked for, watched, cancelled, and shown."""

from __future__ import annotations

import streamlit as st

import chamberctl as cc
from chamberctl import figures
from chamberctl.report import draws_text
from chamberctl.report.draws_csv import draws_csv
from chamberctl.simulation.days import Day
from chamberctl.simulation.scenarios import SCENARIOS, simulate
from chamberctl.workbench.candidates import Shown
from chamberctl.workbench.draws_job import Asked, DrawsJob
from desk import explained
from desk.entered import entered
from desk.findings import show_findings
from desk.results import Drawn
from desk.session import Session
from desk.tables import show_table

COUNTS = (50, 200, 1000, 5000)
_JOB = "behave:job"
_LOOK_EVERY_S = 0.5


def show(session: Session, shown: Shown, scenario: str, point: cc.OperatingPoint) -> None:
    """Draw the part of the view that asks for draws and shows them."""
    st.header("The same with everything uncertain")
    st.caption(
        "Every value of the study is drawn anew within its tolerance, and noise with it; the "
        "settings stay."
    )

    job: DrawsJob | None = st.session_state.get(_JOB)

    def begin() -> None:
        _end(job)
        st.session_state[_JOB] = DrawsJob(
            Asked(shown.tuning, shown.name, scenario, point, entered("behave:draws"))
        )

    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.segmented_control("Draws", COUNTS, default=COUNTS[1], key="behave:draws", required=True)
        st.button("Draw", key="behave:draw", on_click=begin)
    if job is None:
        return
    if job.ask() == "running":
        st.fragment(_watch, run_every=_LOOK_EVERY_S)(job)
        return
    _results(session, job)


def _end(job: DrawsJob | None) -> None:
    if job is not None:
        job.cancel()


def _watch(job: DrawsJob) -> None:
    """Show how far a job is; asked for again and again while it runs."""
    if job.ask() != "running":
        st.rerun()
    st.progress(job.share, f"{SCENARIOS[job.asked.scenario].title}: {job.progress_text}")
    st.button("Cancel", key="behave:cancel", on_click=job.cancel)


def _results(session: Session, job: DrawsJob) -> None:
    asked, found = job.asked, job.found
    study = asked.tuning.study
    if study.text != session.good_text:
        st.caption("These draws were made of the study as it was then.")
    scenario = SCENARIOS[asked.scenario]
    st.subheader(f"{scenario.title} at {asked.point.where}, with {asked.name}")
    if job.failure is not None or found is None:
        st.error(f"**✗ No draws:** {job.failure}")
        return
    for line in draws_text.draws_text(study, found):
        st.markdown(line)
    show_findings(found.findings)
    if not found.runs:
        return
    day = Day(
        scenario, asked.point, simulate(study, asked.tuning, asked.scenario, point=asked.point)
    )
    figure = figures.spread(draws_text.spread_curve(study, day, found))
    explained.show(Drawn(figures.to_svg(figure, "draws"), figure.alt), "draws")
    assert day.run is not None
    show_table(draws_text.draws_table(study, day.run.metrics, found))
    st.download_button(
        "All draws as CSV", lambda: draws_csv(study, scenario.title, found),
        file_name=f"{asked.scenario}-draws.csv", mime="text/csv", on_click="ignore",
        key="behave:draws csv",
    )  # fmt: skip
