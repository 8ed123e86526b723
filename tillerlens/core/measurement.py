"""What a measurement says: numbers with their uncertainty and its causes, reasons for doubt, and the traced bow.

``Measurement.as_document()`` writes the JSON form and ``measurement_of`` reads it, the only places that know its keys; its schema
is ``schemas/measurement.schema.json``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import DocumentError, Reason
from tillerlens.core.events import LimbName as LimbName
from tillerlens.core.json_form import JsonDocument, JsonObject, JsonValue
from tillerlens.core.shot import Shot
from tillerlens.core.shot_file import known_shot

COVER = 2.0  # standard uncertainties to each side of a value: about 95 in 100

Array = NDArray[np.float64]
Status = Literal["measured", "needs_help", "refused"]
LIMBS: tuple[LimbName, LimbName] = ("upper", "lower")
PROFILE_PLACES = {  # decimal places in the document
    "from_nock_mm": 2, "curvature_per_m": 5, "u_curvature_per_m": 5, "thickness_mm": 3, "u_thickness_mm": 3, "lever_arm_mm": 2,
    "centre_px": 2,
}  # fmt: skip


@dataclass(frozen=True)
class Value:
    """A number, its unit, its standard uncertainty and that uncertainty's parts by cause (same unit).

    ``u`` is NaN where it is not known, never 0.
    """

    value: float
    u: float
    unit: str
    budget: dict[str, float] = field(default_factory=dict)

    def as_dict(self, places: int = 4) -> JsonDocument:
        numbers = {"value": printed(self.value, places), "u": printed(self.u, places)}
        return {**numbers, "unit": self.unit, "budget": {k: printed(v, places) for k, v in self.budget.items()}}


@dataclass(frozen=True)
class GapRow:
    """String-to-belly gaps at one distance along the limbs from the handle's centre; difference = upper - lower."""

    from_handle_mm: float
    upper: Value
    lower: Value
    difference: Value

    def of(self, limb: LimbName) -> Value:
        return self.upper if limb == "upper" else self.lower


@dataclass(frozen=True, eq=False)
class LimbProfile:
    """One limb along its length, nock first: arrays of one length.

    curvature_per_m: + bends towards the belly. thickness_mm: back to belly, read from the side, free of what shows of the broad
    faces. centre_mm: (N, 2) in the bow's frame, (0, 2) where an older document lacks it. centre_px: (N, 2).
    """

    from_nock_mm: Array
    curvature_per_m: Array
    u_curvature_per_m: Array
    thickness_mm: Array
    u_thickness_mm: Array
    centre_mm: Array
    centre_px: Array
    lever_arm_mm: Array  # distance of the string's line from the limb's centre; NaN when unstrung


@dataclass(frozen=True)
class Spot:
    """A hinge (bends more than the wood around it) or a stiff place (bends less)."""

    limb: LimbName
    kind: Literal["hinge", "stiff"]
    from_nock_mm: float
    length_mm: float
    bend_percent: float  # how much more (+) or less (-) it bends than the taper around it
    u_percent: float
    confidence: float  # 0 ... 1
    centre_px: tuple[float, float]

    def as_dict(self) -> JsonDocument:
        numbers = printed_fields(self, from_nock_mm=1, length_mm=1, bend_percent=1, u_percent=1, confidence=2, centre_px=1)
        return {"limb": self.limb, "kind": self.kind, **numbers}


@dataclass(frozen=True, eq=False)
class TracedBow:
    """Where everything was seen, in upright full-size pixels; for the overlay. What is not kept is (0, 2) once read back."""

    back_px: Array  # (N, 2) silhouettes from the upper nock to the lower, NaN rows where not seen; not kept
    belly_px: Array  # not kept
    centre_px: Array  # (M, 2), not kept
    nocks_px: Array  # (2, 2) upper, lower
    nocks_mm: Array  # (2, 2) in the bow's frame; (0, 2) where an older document lacks them
    hook_mm: Array | None  # (2,), drawn only
    handle_px: Array  # (2,)
    hook_px: Array | None  # (2,), drawn only
    gap_lines_px: Array  # (K, 2, 2): belly, string; not kept

    def as_dict(self) -> JsonDocument:
        in_frame = printed_fields(self, nocks_mm=2, hook_mm=2) if len(self.nocks_mm) else {}
        return {**printed_fields(self, nocks_px=2, handle_px=2, hook_px=2), **in_frame}


@dataclass(frozen=True)
class Width:
    """A limb's width from edge to edge, square to its middle, at a place along it from the nock."""

    limb: LimbName
    from_nock_mm: float
    width: Value


@dataclass(frozen=True, eq=False)
class BellyLimb:
    """How dark one limb's belly is: CIELAB ``lightness`` (n,) at ``from_nock_mm`` (n,), and its standard uncertainty ``u`` (n,)
    beside the rest of the bow, the reference's own left out."""

    limb: LimbName
    from_nock_mm: Array
    lightness: Array
    u: Array


@dataclass(frozen=True)
class Patch:
    """A stretch of a belly, mm from the nock, that is paler or darker than its limb by ``by`` CIELAB units (+ paler)."""

    limb: LimbName
    kind: str  # pale or dark
    start_mm: float
    end_mm: float
    by: float
    u: float


@dataclass(frozen=True, eq=False)
class BellyColour:
    """A heat-treated belly's lightness, CIELAB. ``reference``: paper or uncooked wood; ``u_reference``: of its own, common to
    all. ``limbs``: upper, lower."""

    reference: str
    u_reference: float
    limbs: tuple[BellyLimb, ...]
    patches: tuple[Patch, ...]

    def as_dict(self) -> JsonDocument:
        return {
            "reference": self.reference,
            "u_reference": printed(self.u_reference, 2),
            "limbs": {b.limb: printed_fields(b, from_nock_mm=1, lightness=2, u=2) for b in self.limbs},
            "patches": [
                {"limb": p.limb, "kind": p.kind, **printed_fields(p, start_mm=1, end_mm=1, by=2, u=2)} for p in self.patches
            ],
        }

    @classmethod
    def from_dict(cls, read: Mapping[str, Any]) -> BellyColour:
        limbs = tuple(
            BellyLimb(limb, *(np.array(read["limbs"][limb][k], float) for k in ("from_nock_mm", "lightness", "u")))
            for limb in LIMBS
        )
        return cls(read["reference"], float(read["u_reference"]), limbs, tuple(Patch(**p) for p in read["patches"]))


@dataclass(frozen=True, eq=False)
class FrontView:
    """What a picture from the belly or the back shows besides values; px upright and full-size, upper nock first.

    ``right_px``, ``left_px`` (N, 2) edges, NaN where not seen, right as the viewer sees it with the upper limb up; ``string_px``
    (K, 2), empty where the string was not seen; ``nocks_px`` (2, 2); ``handle_px`` (2,).
    """

    facing: str
    widths: tuple[Width, ...]
    right_px: Array
    left_px: Array
    string_px: Array
    nocks_px: Array
    handle_px: Array

    def as_dict(self) -> JsonDocument:
        return {
            "facing": self.facing,
            "right_px": _thinned(self.right_px),
            "left_px": _thinned(self.left_px),
            "string_px": _thinned(self.string_px),
            **printed_fields(self, nocks_px=1, handle_px=1),
        }


@dataclass(frozen=True, eq=False)
class Followed:
    """What was taken for the bow where nothing was measured, in upright full-size pixels, upper end first; to be shown.

    ``middle_px`` (N, 2); ``back_px``, ``belly_px`` (N, 2) beside it, NaN where not seen, or empty where no edge was looked for.
    ``handle``: first and last place of the handle, or None.
    """

    middle_px: Array
    back_px: Array
    belly_px: Array
    handle: tuple[int, int] | None = None

    def as_dict(self) -> JsonDocument:
        return {
            "middle_px": _thinned(self.middle_px),
            "back_px": _thinned(self.back_px),
            "belly_px": _thinned(self.belly_px),
        }


MOST_FOLLOWED = 100  # places of a line that was followed, in a document


def _thinned(px: Array) -> JsonValue:
    if len(px) == 0:
        return []
    keep = np.unique(np.linspace(0, len(px) - 1, min(len(px), MOST_FOLLOWED)).round().astype(int))
    return printed(px[keep], 1)


@dataclass(frozen=True)
class PhotoId:
    """Which photograph: its file's name, the hash of its bytes and its upright (width, height); None where it was not read."""

    name: str = ""
    sha256: str | None = None
    size: tuple[int, int] | None = None

    def as_dict(self) -> JsonDocument:
        known = {"name": self.name or None, "sha256": self.sha256, "size": None if self.size is None else list(self.size)}
        return {k: v for k, v in known.items() if v is not None}


@dataclass(frozen=True)
class FoundOn:
    """Names of the pictures that hinges and stiff places were found on, strung and at rest."""

    strung: tuple[str, ...]
    rest: str | None


@dataclass(frozen=True, eq=False)
class Measurement:
    """All that one photograph gave. ``reasons`` hold doubts (measured), what is missing (needs_help) or why not."""

    status: Status
    state: str
    reasons: tuple[Reason, ...] = ()
    values: dict[str, Value] = field(default_factory=dict)
    gaps: tuple[GapRow, ...] = ()
    profile: dict[LimbName, LimbProfile] = field(default_factory=dict)
    spots: tuple[Spot, ...] = ()
    trace: TracedBow | None = None
    followed: Followed | None = None  # where nothing was measured
    front: FrontView | None = None  # of a picture from the belly or the back
    belly: BellyColour | None = None  # of a heat-treated bow's belly
    evidence: Mapping[str, object] = field(default_factory=dict)  # fit residuals, found marks, finder support; fit for JSON
    found_on: FoundOn | None = None  # where more than this picture told of hinges and stiff places
    photo: PhotoId = field(default_factory=PhotoId)
    shot: Shot | None = None  # None where it could not be read
    version: str = ""

    @property
    def name(self) -> str:
        """What people call the picture."""
        return self.photo.name or "this picture"

    @property
    def facts(self) -> Shot:
        """What was said of the picture. Raises DocumentError where the measurement does not say."""
        if self.shot is None:
            raise DocumentError(f"The measurement of {self.name} doesn't say what was typed about it.", "Measure it again.")
        return self.shot

    @property
    def from_front(self) -> bool:
        """Whether the picture shows the bow from its belly or back."""
        return self.front is not None or (self.shot is not None and self.shot.view == "front")

    def evidence_number(self, name: str) -> float | None:
        """A number of the evidence by its name; None where it is not there."""
        value = self.evidence.get(name)
        return float(value) if isinstance(value, int | float) else None

    def as_printed(self) -> Measurement:
        """To the figures that its document holds, so that whoever reads that and whoever has this find the same."""
        return measurement_of(self.as_document())

    def _evidence(self) -> JsonObject:
        on = self.found_on
        return dict(self.evidence) | ({} if on is None else {"found_on": {"strung": list(on.strung), "rest": on.rest}})

    def as_document(self) -> JsonDocument:
        """The JSON form, rounded to what the numbers carry; NaN becomes null."""
        doc: JsonDocument = {
            "format": "tillerlens-measurement",
            "format_version": 1,
            "made_by": self.version,
            "status": self.status,
            "state": self.state,
            "reasons": [r.as_dict() for r in self.reasons],
            "photo": self.photo.as_dict(),
            "shot": {} if self.shot is None else self.shot.as_dict(),
            "values": {k: v.as_dict() for k, v in self.values.items()},
            "gaps": [
                {
                    "from_handle_mm": printed(g.from_handle_mm, 3),
                    **{name: getattr(g, name).as_dict() for name in ("upper", "lower", "difference")},
                }
                for g in self.gaps
            ],
            "profile": {
                k: printed_fields(p, **PROFILE_PLACES) | (printed_fields(p, centre_mm=2) if len(p.centre_mm) else {})
                for k, p in self.profile.items()
            },
            "spots": [s.as_dict() for s in self.spots],
            "evidence": self._evidence(),
        }
        if self.trace is not None:
            doc["trace"] = self.trace.as_dict()
        if self.front is not None:
            doc["widths"] = [
                {"limb": w.limb, "from_nock_mm": printed(w.from_nock_mm, 1), **w.width.as_dict()} for w in self.front.widths
            ]
            doc["front"] = self.front.as_dict()
        if self.belly is not None:
            doc["belly"] = self.belly.as_dict()
        if self.followed is not None:
            doc["followed"] = self.followed.as_dict()
        return doc


def printed(it: Any, places: int) -> JsonValue:
    """A number, a value or rows of them, rounded for a document; null for what is not known or not finite. A value goes without
    its causes, which ``Value.as_dict`` holds."""
    if it is None:
        return None
    if isinstance(it, Value):
        return {"value": printed(it.value, places), "u": printed(it.u, places), "unit": it.unit}
    if isinstance(it, Iterable):
        return [printed(x, places) for x in it]
    return round(float(it), places) if math.isfinite(it) else None


def printed_fields(of: object, **places: int) -> JsonDocument:
    """Fields of an object as ``printed``, each to its number of decimal places."""
    return {name: printed(getattr(of, name), n) for name, n in places.items()}


def read_value(read: Mapping[str, Any]) -> Value:
    """A printed value; null becomes NaN."""
    budget = {k: number_or_nan(v) for k, v in read.get("budget", {}).items()}
    return Value(number_or_nan(read["value"]), number_or_nan(read["u"]), read.get("unit", "mm"), budget)


def number_or_nan(x: Any) -> float:
    return math.nan if x is None else float(x)


def measurement_of(document: Mapping[str, Any]) -> Measurement:
    """A printed measurement of any version, read back. What its schema lets through is taken as it is.

    Raises DocumentError where it names a shot that is none.
    """
    photo, evidence, found_on = document["photo"], dict(document["evidence"]), None
    if "found_on" in evidence:
        told = evidence.pop("found_on")
        found_on = FoundOn(tuple(told["strung"]), told["rest"])
    return Measurement(
        document["status"],
        document["state"],
        tuple(Reason.from_dict(r) for r in document["reasons"]),
        {k: read_value(v) for k, v in document["values"].items()},
        tuple(
            GapRow(g["from_handle_mm"], read_value(g["upper"]), read_value(g["lower"]), read_value(g["difference"]))
            for g in document["gaps"]
        ),
        {cast(LimbName, limb): _limb_of(p) for limb, p in document["profile"].items()},
        tuple(
            Spot(**{**s, "u_percent": number_or_nan(s["u_percent"]), "centre_px": tuple(map(number_or_nan, s["centre_px"]))})
            for s in document["spots"]
        ),
        _trace_of(document.get("trace")),
        _followed_of(document.get("followed")),
        _front_of(document),
        BellyColour.from_dict(document["belly"]) if document.get("belly") else None,
        evidence,
        found_on,
        PhotoId(photo.get("name", ""), photo.get("sha256"), None if "size" not in photo else tuple(photo["size"])),
        known_shot(document["shot"]),
        document["made_by"],
    )


def _array(numbers: list[float | None]) -> Array:
    return np.array(numbers, float)  # null becomes NaN


def _points(pairs: list[list[float | None]]) -> Array:
    return np.array(pairs, float).reshape(-1, 2)


def _limb_of(p: Mapping[str, Any]) -> LimbProfile:
    points = {name: _points(p.get(name, [])) for name in ("centre_mm", "centre_px")}
    return LimbProfile(**points, **{name: _array(numbers) for name, numbers in p.items() if name not in points})


def _trace_of(t: Mapping[str, Any] | None) -> TracedBow | None:
    if t is None:
        return None
    hook_mm, hook_px = (None if t.get(name) is None else _array(t[name]) for name in ("hook_mm", "hook_px"))
    none, nocks_px, nocks_mm = np.empty((0, 2)), _points(t["nocks_px"]), _points(t.get("nocks_mm", []))
    return TracedBow(none, none, none, nocks_px, nocks_mm, hook_mm, _array(t["handle_px"]), hook_px, none.reshape(0, 2, 2))


def _followed_of(f: Mapping[str, Any] | None) -> Followed | None:
    return None if f is None else Followed(_points(f["middle_px"]), _points(f["back_px"]), _points(f["belly_px"]))


def _front_of(document: Mapping[str, Any]) -> FrontView | None:
    front = document.get("front")
    if front is None:
        return None
    widths = tuple(Width(w["limb"], w["from_nock_mm"], read_value(w)) for w in document["widths"])
    places = {name: _points(front[name]) for name in ("right_px", "left_px", "string_px", "nocks_px")}
    return FrontView(front["facing"], widths, **places, handle_px=_array(front["handle_px"]))
