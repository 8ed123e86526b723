"""Sessions of a running app without a browser: they speak its own protocol over its socket, so that many fit on few cores."""

from __future__ import annotations

import time

from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.sync.client import connect


class Session:
    """One person's session. page: the room's name in the address; query: what stands after the address's question mark."""

    def __init__(self, url, page="", query="", wait_s=600.0):
        self._socket = connect(
            f"{url.replace('http', 'ws', 1)}/_stcore/stream", subprotocols=["streamlit"], max_size=None, open_timeout=60
        )
        self._page, self._query, self._wait_s, self._widgets = page, query, wait_s, {}
        self.ids, self.errors = {}, []  # widgets by key; what any run showed in an error box
        self.passing = []  # captions and spinners of the last run that were gone at its end
        self._shown = {}

    def run(self, pressed=None):
        """Run the page with the widgets as they stand, and wait for its end; the words it then shows. pressed: a button's key."""
        message = BackMsg()
        state = message.rerun_script
        state.page_name, state.query_string = self._page, self._query
        for name, value in self._widgets.items():
            widget = state.widget_states.widgets.add(id=name)
            if isinstance(value, bool):
                widget.bool_value = value
            else:
                widget.string_value = value
        if pressed is not None:
            state.widget_states.widgets.add(id=self.ids[pressed], trigger_value=True)
        self._socket.send(message.SerializeToString())
        self._shown, self.passing = {}, []
        end = time.monotonic() + self._wait_s
        while True:
            came = ForwardMsg.FromString(self._socket.recv(timeout=max(0.1, end - time.monotonic())))
            kind = came.WhichOneof("type")
            if kind == "delta":
                self._take(tuple(came.metadata.delta_path), came.delta)
            elif kind == "script_finished" and came.script_finished in (
                ForwardMsg.FINISHED_SUCCESSFULLY,
                ForwardMsg.FINISHED_WITH_COMPILE_ERROR,
            ):
                if came.script_finished != ForwardMsg.FINISHED_SUCCESSFULLY:
                    self.errors.append("the script did not compile")
                return [self._shown[at] for at in sorted(self._shown)]

    def put(self, key, value):
        """Set a widget that the page has shown, by its key; the next run takes it."""
        self._widgets[self.ids[key]] = value

    def close(self):
        self._socket.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def _take(self, at, delta):
        if not delta.HasField("new_element"):
            return
        if at in self._shown:
            self.passing.append(self._shown.pop(at))
        element = delta.new_element
        kind = element.WhichOneof("type")
        part = getattr(element, kind)
        if getattr(part, "id", ""):
            self.ids[part.id.rpartition("-")[2]] = part.id  # $$ID-HASH-KEY
        if kind == "exception":
            self.errors.append(f"{part.type}: {part.message}")
        elif kind in ("alert", "markdown", "heading", "spinner"):
            self._shown[at] = part.text if kind == "spinner" else part.body
            if kind == "alert" and part.format == part.ERROR:
                self.errors.append(part.body)
