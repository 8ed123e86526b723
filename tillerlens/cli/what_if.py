"""``tillerlens bench whatif``: try a change before cutting."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tillerlens.cli.bench import read_size, read_weighings, sides_and_sections
from tillerlens.cli.shared import Calipers, JsonOut, UnstrungDocument, Weigh, refusing
from tillerlens.core.errors import ShotError
from tillerlens.core.units import parse_length, parse_weight

if TYPE_CHECKING:
    from tillerlens.mechanics.what_if import Change

# Everything else is imported where it is used, so that --help answers at once.

_LIMB = r"(?P<limb>upper|lower|both)"
_FORMS = {
    "take": rf"take\s+{_LIMB}\s+(?P<from>\S.*?)\s*-\s*(?P<to>\S+)\s+(?P<amount>\S.*)",
    "narrow": rf"narrow(?:\s+tips)?(?:\s+{_LIMB})?\s+(?P<amount>\S.*)",
    "shorten": r"shorten\s+(?P<amount>\S.*)",
    "brace": r"brace\s+(?P<amount>\S.*)",
    "reflex": r"reflex\s+(?P<amount>\S.*)",
    "heat": rf"heat(?:\s+{_LIMB})?(?:\s+(?P<amount>\S.*))?",
}
_EXAMPLES = (
    "'take upper 8in-14in 3%', 'take both 6in-20in 1/64in', 'narrow 15%', 'shorten 1in', 'brace 1/2in', 'reflex 1in', 'heat'"
)


def what_if_command(
    measured: Annotated[
        list[Path],
        typer.Argument(
            metavar="DOCUMENT...",
            help="Measurement documents of the bow strung, a drawn one weighed; one from belly or back stands in for calipers.",
        ),
    ],
    rest: UnstrungDocument,
    draw: Annotated[str, typer.Option(help="Target draw to the back of the handle, like 28in.")],
    change: Annotated[list[str], typer.Option(help=f"What to try; several go together. Like {_EXAMPLES}.")],
    calipers: Calipers = None,
    weigh: Weigh = None,
    brace: Annotated[str | None, typer.Option(help="Back of the handle to the braced string, as it is now.")] = None,
    gained: Annotated[
        list[str] | None, typer.Option(help="What heat did to an earlier bow of yours: its weight at one draw, like 48lb-53lb.")
    ] = None,
    json_out: JsonOut = False,
) -> None:
    """Try before you cut: weight, tiller, string angle and strain after a change, against today.

    Exit status: 0 told, 2 bad usage, an unusable file, or a change that cannot be tried.
    """
    from tillerlens.core.document import read_documents, read_rest
    from tillerlens.mechanics.bench import Unpictured
    from tillerlens.mechanics.what_if import as_document, compare, heat_gain, standing_from_documents
    from tillerlens.report.words.quantities import Units, in_columns
    from tillerlens.report.words.what_if import HEAD, table, what_if_words

    with refusing():
        changes = [read_change(text) for text in change]
        if gained:
            gain = heat_gain([_gained(text) for text in gained])
            own = [c.kind == "heat" and c.amount is None for c in changes]
            changes = [replace(c, amount=gain.value, u=gain.u) if o else c for c, o in zip(changes, own, strict=True)]
        at_rest = read_rest(rest)
        sides, sections = sides_and_sections([d for path in measured for d in read_documents(path)], at_rest, calipers)
        standing = standing_from_documents(
            sides,
            at_rest,
            parse_length(draw),
            sections,
            Unpictured(read_weighings(weigh or []), None if brace is None else read_size(brace)),
        )
        tried = compare(standing, changes)
    if json_out:
        typer.echo(json.dumps(as_document(tried), allow_nan=False))
    else:
        said = what_if_words(tried, own_heat=bool(gained))
        typer.echo("\n".join([said[0].text, "", *in_columns([HEAD, *table(tried, Units())]), "", *(s.text for s in said[1:])]))


def read_change(text: str) -> Change:
    """A change from what a person writes. Raises ShotError with examples."""
    from tillerlens.mechanics.what_if import Change

    clean = text.strip().lower()
    for kind, form in _FORMS.items():
        found = re.fullmatch(form, clean)
        if found is None:
            continue
        got = found.groupdict()
        limb = got.get("limb") or "both"
        if kind == "take":
            ends = parse_length(got["from"]), parse_length(got["to"])
            share = _share(got["amount"])
            thick = None if share is not None else parse_length(got["amount"])
            if thick is not None and thick <= 0:
                raise ShotError(f"'{text}' takes nothing off.", f"Write it like {_EXAMPLES}.", given=text)
            return Change("take", share, limb, ends, thick)  # type: ignore[arg-type]
        if kind in ("narrow", "heat"):
            amount = got.get("amount")
            share = None if amount is None else _share(amount)
            if amount is not None and share is None:
                raise ShotError(f"'{amount.strip()}' is not a percentage.", "Write it in percent, like 15%.", given=text)
            return Change(kind, share, limb)  # type: ignore[arg-type]
        return Change(kind, parse_length(got["amount"].lstrip("+")))  # type: ignore[arg-type]
    raise ShotError(f"'{text}' is not a change that can be tried.", f"Write it like {_EXAMPLES}.", given=text)


def _share(text: str) -> float | None:
    found = re.fullmatch(r"(\d+\.?\d*|\.\d+)\s*(?:%|percent)", text.strip())
    return None if found is None else float(found[1]) / 100


def _gained(text: str) -> tuple[float, float]:
    from tillerlens.mechanics.evidence import check_weight

    before, sign, after = text.partition("-")
    if not sign:
        raise ShotError(f"'{text}' cannot be read.", "Write the weight before and after like 48lb-53lb.", given=text)
    both = parse_weight(before), parse_weight(after)
    for weight in both:
        check_weight(weight)
    return both
