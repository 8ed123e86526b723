"""A backup of the shop, or of one bow, to take along, and a backup put back: the same zip as the commands' export and import."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

import streamlit as st

from tillerlens.record import Record
from tillerlens.record.entries import now
from tillerlens.record.exchange import BowPlan, Choice, ImportPlan, apply_import, export, plan_import
from tillerlens.ui.context import errors_in_place
from tillerlens.ui.text import plain

_SAYS = {
    "new": "comes onto the shelf",
    "same": "is here already, with nothing to add",
    "adds": "is here; what it lacks is added",
    "conflict": "is here, and differs",
}
_CHOICES: dict[Choice, str] = {"skip": "leave mine as they are", "both": "keep both"}


def offer(record: Record, bow_ids: Sequence[str] | None, key: str, label: str) -> None:
    """A button that makes the backup, and then the file to take along. bow_ids: None for the whole shop."""
    made: dict[str, tuple[bytes, str]] = st.session_state.setdefault("backups", {})
    if st.button(label, key=f"backup_{key}"):
        with errors_in_place(), st.spinner("Packing photos, measurements and notes"), tempfile.TemporaryDirectory() as folder:
            out = Path(folder) / "backup.zip"
            packed = export(record, out, bow_ids)
            made[key] = (out.read_bytes(), f"tillerlens-{now():%Y-%m-%d}.zip")
            for gap in packed.gaps:
                st.warning(plain(f"Not in the backup: {gap.text} {gap.remedy}"))
    if key in made:
        data, name = made[key]
        st.download_button(f"Save the backup ({len(data) / 1e6:.1f} MB)", data, name, "application/zip", on_click="ignore")


def put_back(record: Record) -> None:
    """A backup looked at first, and then put back where that is wanted."""
    upload = st.file_uploader("Put a backup back (zip)", ["zip"], key="restore_zip")
    if upload is None:
        st.caption("One larger than 64 MB is put back at the computer: tillerlens import FILE.")
        return
    with errors_in_place(), tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "backup.zip"
        place.write_bytes(upload.getvalue())
        with st.spinner("Reading the backup"):
            plan = plan_import(record, place)
        for bow in plan.bows:
            st.markdown(f"- **{plain(bow.name)}** {_SAYS[bow.verdict]}")
        choice = _choice(plan)
        if st.button("Put it back", type="primary", key="restore_do"):
            with st.spinner("Putting it back"):
                done = apply_import(record, plan, {bow.bow_id: choice for bow in plan.bows if bow.asks})
            st.success(_done(done))
            for name in (name for bow in done for name in bow.lacking):
                st.warning(f"The photo {plain(name)} is neither in the backup nor here. Put back another backup that holds it.")


def _choice(plan: ImportPlan) -> Choice:
    if not any(bow.asks for bow in plan.bows):
        return "skip"
    chosen = st.segmented_control(
        "Bows that differ from those here", _CHOICES, format_func=_CHOICES.__getitem__, default="skip", key="restore_how",
        required=True,
    )  # fmt: skip
    return "both" if chosen == "both" else "skip"


def _done(done: Sequence[BowPlan]) -> str:
    return f"Done: {len(done)} {'bow' if len(done) == 1 else 'bows'} looked at and put back where something was missing."
