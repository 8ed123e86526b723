"""The app's entry: ``streamlit run app.py``. It lets in nobody but this computer; ``tillerlens serve --lan`` does."""

import streamlit as st

from tillerlens.server.error_box import by_the_framework
from tillerlens.server.start import opening, this_computer_only

app = st.App("tillerlens/ui/main.py", middleware=this_computer_only(), lifespan=opening(), on_script_error=by_the_framework)
