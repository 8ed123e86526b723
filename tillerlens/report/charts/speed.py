"""How loud a clip is around its shot, with string and thump marked, as a Vega-Lite specification."""

from __future__ import annotations

import numpy as np

from tillerlens.core.json_form import JsonObject
from tillerlens.film.heard import Heard
from tillerlens.film.sound import Sound
from tillerlens.report.charts.parts import INK

MARK = "#a3321f"
BEFORE_S, AFTER_S, STEP_S, QUIETEST_DB = 0.3, 0.4, 0.004, -90.0


def sound_spec(sound: Sound, heard: Heard) -> JsonObject:
    """Loudness over time, so that one can see whether the right two sounds were taken."""
    marks = [{"at": round(e.at_s, 4), "what": what} for e, what in ((heard.string, "string"), (heard.thump, "thump"))]
    ends = [(heard.string.at_s - BEFORE_S), (heard.thump.at_s + AFTER_S)]
    first, last = (int(np.clip(t, 0, sound.duration_s) * sound.rate) for t in ends)
    n = max(1, round(STEP_S * sound.rate))
    part = sound.peak[first:last]
    loud = part[: len(part) // n * n].reshape(-1, n).max(axis=1)
    decibel = np.maximum(20 * np.log10(np.maximum(loud, 1e-9)), QUIETEST_DB)
    rows = [{"at": round((first + k * n) / sound.rate, 4), "level": round(float(x), 1)} for k, x in enumerate(decibel)]
    x = {"field": "at", "type": "quantitative", "title": "seconds into the clip", "scale": {"nice": False, "zero": False}}
    y = {"field": "level", "type": "quantitative", "title": "loudness (dB of full scale)", "scale": {"zero": False}}
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "height": 220,
        "layer": [
            {"data": {"values": rows}, "mark": {"type": "line", "strokeWidth": 1.5, "color": INK}, "encoding": {"x": x, "y": y}},
            {"data": {"values": marks}, "mark": {"type": "rule", "color": MARK, "strokeWidth": 2}, "encoding": {"x": x}},
            {
                "data": {"values": marks},
                "mark": {"type": "text", "color": MARK, "align": "left", "dx": 5, "baseline": "top", "fontSize": 14},
                "encoding": {"x": x, "y": {"value": 4}, "text": {"field": "what"}},
            },
        ],
    }
