"""A sample traced and ready for its shape, once for all tests that look at what lies between its picture and its numbers."""

import json
from functools import lru_cache

from tests.support.against_truth import SAMPLES
from tillerlens.core.shot_file import read_shot
from tillerlens.photo.intake import read_photo
from tillerlens.photo.scale import fit_scale
from tillerlens.shape.evidence import evidence_of, layout_of
from tillerlens.shape.nocks import ShapeModel
from tillerlens.trace.outline import outline
from tillerlens.trace.reading import TraceVariant, prepare
from tillerlens.trace.trace import trace_of


@lru_cache(maxsize=4)
def traced(name):
    """Linear light, shot, the true outline (px), trace, evidence by the limbs' ends, and the model of its shape."""
    photo = read_photo(SAMPLES / f"{name}.jpg")
    shot = read_shot(SAMPLES / f"{name}.shot.json")
    truth = json.loads((SAMPLES / f"{name}.truth.json").read_text())["outline_px"]
    ready, fit = prepare(photo), fit_scale(photo, shot)
    trace = trace_of(ready, outline(ready, fit, shot, TraceVariant()), TraceVariant())
    evidence = evidence_of(fit, shot, trace)
    model = ShapeModel(layout_of(evidence, shot, trace), shot.state)
    return ready.light, shot, truth, trace, evidence, model
