"""The app's entry: ``streamlit run app.py``."""

from pathlib import Path

from tillerlens.ui.house import run

run(Path(__file__).parent / "samples")
