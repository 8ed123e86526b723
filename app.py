"""The app's entry: ``streamlit run app.py``."""

from pathlib import Path

from tillerlens.ui.photo_page import show

show(Path(__file__).parent / "samples")
