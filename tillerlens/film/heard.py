"""Which two sounds of a clip are the string and the thump, and when exactly each begins.

A sound that matters rises sharply: within some milliseconds its power stands far over what was heard just before. String and
thump are two such sounds as far apart as an arrow may fly. An echo comes after the sound it repeats and looks like it. Where two
pairs would do, nothing is chosen: a wrong pair would give a speed that looks quite right.

A beginning is taken where the rise, carried back in a straight line, starts. Its doubt is part of the rise, and more of it where
the noise is louder.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz
from scipy.signal import butter, correlate, find_peaks, lfilter, sosfilt

from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import Value
from tillerlens.film.sound import Sound
from tillerlens.mechanics.flight import AVERAGE_M_S, Range, time_between

Array = NDArray[np.float64]

BAND_HZ = 180.0, 6000.0  # above most of the wind's rumble, below what phones leave out
WIND_HZ, RUMBLE = 150.0, 10**-3.5  # power of a rumble, full scale 1, that only wind makes (common practice, no source)
SMOOTH_S = 0.001  # of the power; both sounds are smoothed alike, so it does not move their distance
STEP_S = 0.0005
WHITE_ORDER = 2
AFTER_S, BEFORE_S, APART_S = 0.004, 0.025, 0.001
# dB: a sound over what was heard just before, and over the clip's background.
SHARP_DB, OVER_DB = 9.0, 9.0
MERGE_S = 0.030  # a release's click, the string, and what the ground sends back are one sound
RISE_FROM, RISE_TO = 0.2, 0.5  # of its height
HEARD_AT = 0.3  # a click before the sound itself stays below this share of it
HELD_S = 0.0005
CARRIED_S = 0.002  # a rise is carried back no farther
LEAST_U_S = 0.0006  # a deep sound swings up within a quarter of its wave, which is 0.8 ms at 300 Hz
LOUD_DB = 10.0  # sounds within this of the loudest may all be what the phone lay beside
CLEAR_DB, FIRST_DB = 8.0, 20.0  # by so much one sound outdoes the others that would do, and one that came before it
NEAR = 1 / 3  # the phone lies by one end where that is so much nearer than the other
MIDDLE_DB = 20.0  # half way neither sound outdoes the other by more
ALIKE = 0.45  # correlation of two sounds' changes from which the later counts as an echo; unlike ones stay below 0.35
WEAKER_DB = 3.0  # than the sound it repeats: an echo has come a longer way
ECHO_S, ECHO_LAG_S = 0.040, 0.004
FULL_SCALE, FULL_SHARE, FULL_S = 0.985, 0.02, 0.035  # so much of a sound's beginning at full scale: it is clipped
OVER_WIND_DB = 20.0  # a sound that is to be told from gusts
MOST_EVENTS = 400


class HeardError(TillerLensError):
    """No speed can be told from this clip's sound. ``fields``: the times (s) that it is about."""

    code = "not_heard"


@dataclass(frozen=True)
class Event:
    """A sharp sound: when it begins (s, with its standard uncertainty), and how loud it gets (dB of full scale)."""

    at_s: float
    u_s: float
    level_db: float


@dataclass(frozen=True)
class Heard:
    """String and thump. ``echoes_s``: when sounds that were taken for echoes begin."""

    string: Event
    thump: Event
    echoes_s: tuple[float, ...] = ()

    @property
    def between_s(self) -> Value:
        u = math.hypot(self.string.u_s, self.thump.u_s)
        return Value(self.thump.at_s - self.string.at_s, u, "s")


def hear(sound: Sound, at: Range, within_s: tuple[float, float] | None = None) -> Heard:
    """String and thump of the one shot in a clip.

    Parameters
    ----------
    sound : Sound
        The clip's sound.
    at : Range
        Distances and air: they say how far apart the two can be, and which is the louder.
    within_s : tuple of float, optional
        The part of the clip to listen to.

    Raises
    ------
    HeardError
        No shot, no thump, only an echo, two shots, wind, clipped: whatever leaves more or less than one pair.
    """
    listened = _Listened.to(sound, within_s)
    events = listened.events()
    if not events:
        raise listened.nothing()
    soon, late = (time_between(at, (at.distance.value - at.arrow.value + at.brace.value) / v) for v in AVERAGE_M_S[::-1])
    pairs, echoes = _pairs(listened, events, at, (soon, late))
    if not pairs:
        raise _no_pair(listened, events, echoes, (soon, late))
    string, thump = _the_one(listened, pairs, echoes)
    if listened.windy and min(string.level_db, thump.level_db) < 10 * math.log10(listened.floor) + OVER_WIND_DB:
        raise listened.wind()
    loud = max(string.level_db, thump.level_db) - LOUD_DB
    others = [e for e in events if e not in (string, thump) and e not in echoes and e.level_db > loud]
    if others:
        raise HeardError(
            f"Besides the shot at {string.at_s:.2f} s, something as loud is heard at {others[0].at_s:.2f} s. More than one shot?",
            "Trim the clip to one shot, or give the part with one shot.",
            at_s=tuple(e.at_s for e in others),
        )
    for event, what in ((string, "string"), (thump, "thump")):
        if listened.clipped(event):
            far = "farther from the bow" if what == "string" else "farther from the target"
            raise HeardError(
                f"The {what} was too loud for the phone: the sound is clipped.", f"Lay the phone {far} and shoot again.",
                at_s=event.at_s,
            )  # fmt: skip
    return Heard(string, thump, tuple(e.at_s for e in echoes if e is not thump))


# --- which two


def _pairs(
    listened: _Listened, events: Sequence[Event], at: Range, window: tuple[float, float]
) -> tuple[list[tuple[Event, Event]], list[Event]]:
    """All (string, thump) that the distances allow, and what was left out as an echo."""
    a, b = at.to_bow.value, at.to_target_m
    loudest = max(e.level_db for e in events)
    by_bow, by_target = a < NEAR * b, b < NEAR * a
    pairs, echoes = [], []
    for i, first in enumerate(events):
        if by_bow and first.level_db < loudest - LOUD_DB:
            continue
        for later in events[i + 1 :]:
            if not window[0] <= later.at_s - first.at_s <= window[1]:
                continue
            if by_target and later.level_db < loudest - LOUD_DB:
                continue
            apart = abs(first.level_db - later.level_db)
            if not (by_bow or by_target) and (apart > MIDDLE_DB or max(first.level_db, later.level_db) < loudest - LOUD_DB):
                continue
            if by_bow and later.level_db > first.level_db or by_target and first.level_db > later.level_db:
                continue
            if any(listened.alike(e, later) for e in events if first.at_s <= e.at_s < later.at_s):
                if later not in echoes:
                    echoes.append(later)
                continue
            pairs.append((first, later))
    return pairs, echoes


def _the_one(listened: _Listened, pairs: list[tuple[Event, Event]], echoes: list[Event]) -> tuple[Event, Event]:
    """The pair beside which no other would do."""
    strings, thumps = ({id(p[k]): p[k] for p in pairs}.values() for k in (0, 1))
    loud = [e for e in echoes if len(pairs) == 1 and e.level_db > max(p.level_db for p in pairs[0]) - CLEAR_DB]
    if len(pairs) == 1 and not loud:
        return pairs[0]
    if not loud and (len(strings) == 1 or len(thumps) == 1):
        k = 1 if len(strings) == 1 else 0
        ranked = sorted(pairs, key=lambda p: -p[k].level_db)
        best = ranked[0][k]
        # A knock near the phone just after the shot easily outdoes a far thump: what comes first is not lightly passed over.
        over = [best.level_db - p[k].level_db - (FIRST_DB if k and p[k].at_s < best.at_s else CLEAR_DB) for p in ranked[1:]]
        if min(over) >= 0:
            return ranked[0]
        what = "thump" if k else "string"
        said = " and ".join(f"{e.at_s:.2f} s" for e in sorted((p[k] for p in ranked[:2]), key=lambda e: e.at_s))
        wind = listened.windy
        raise HeardError(
            f"Two sounds could be the {what}, at {said}{', and wind blows on the microphone' if wind else ''}.",
            "Give the part of the clip with the right one, or shoot again where it is quiet.",
            at_s=tuple(p[k].at_s for p in ranked),
        )
    said = ", ".join(f"{e.at_s:.2f} s" for e in sorted([*strings, *loud], key=lambda e: e.at_s)[:4])
    raise HeardError(
        f"More than one shot may be in this clip; strings may sound at {said}.",
        "Trim the clip to one shot, or give the part with one shot.",
        at_s=tuple(e.at_s for e in strings),
    )


def _no_pair(listened: _Listened, events: Sequence[Event], echoes: Sequence[Event], window: tuple[float, float]) -> HeardError:
    loudest = max(events, key=lambda e: e.level_db)
    if echoes:
        return HeardError(
            f"After the shot only an echo comes, at {echoes[0].at_s:.2f} s, but no thump.",
            "Lay the phone nearer the target, away from walls, and give its distances.",
            at_s=tuple(e.at_s for e in echoes),
        )
    if listened.windy:
        return listened.wind()
    low, high = (loudest.at_s + w for w in window)
    if high > listened.end_s:
        return HeardError(
            f"The clip ends before the thump could come: the loudest sound is at {loudest.at_s:.2f} s.",
            "Let the phone record until after the arrow has struck.",
            at_s=loudest.at_s,
        )
    return HeardError(
        f"No thump: after the sound at {loudest.at_s:.2f} s nothing sharp comes from {low:.2f} to {high:.2f} s.",
        "Check the distance. Lay the phone nearer the target and shoot again.",
        at_s=loudest.at_s,
    )


# --- listening


@dataclass(frozen=True, eq=False)
class _Listened:
    """A sound's band, its smoothed power (n,), and that with the background flattened, from ``begin_s`` on.

    ``floor``: the background's power; ``low``: that of the rumble below the band.
    """

    band: Array
    power: Array
    flat: Array
    peak: Array
    rate: int
    begin_s: float
    floor: float
    low: float

    @classmethod
    def to(cls, sound: Sound, within_s: tuple[float, float] | None) -> _Listened:
        rate = sound.rate
        first, last = (0, len(sound.samples)) if within_s is None else (max(0, round(t * rate)) for t in within_s)
        samples = sound.samples[first:last]
        if len(samples) < 0.1 * rate:
            raise HeardError("There is hardly any sound in that part of the clip.", "Give a part that holds the whole shot.")
        high = min(BAND_HZ[1], 0.45 * rate)
        band = sosfilt(butter(4, (BAND_HZ[0], high), "bandpass", fs=rate, output="sos"), samples)
        flat = _whitened(band, rate)
        n = max(1, round(SMOOTH_S * rate))
        power = np.convolve(band**2, np.full(n, 1 / n), "same")
        frames = power[: len(power) // n * n].reshape(-1, n).mean(axis=1)
        low = sosfilt(butter(4, WIND_HZ, "lowpass", fs=rate, output="sos"), samples)
        floor = max(float(np.median(frames)), 1e-12)
        return cls(
            band,
            power,
            np.convolve(flat**2, np.full(n, 1 / n), "same"),
            sound.peak[first:last],
            rate,
            first / rate,
            floor,
            float(np.mean(low**2)),
        )

    @property
    def end_s(self) -> float:
        return self.begin_s + len(self.band) / self.rate

    @property
    def windy(self) -> bool:
        """Whether a low rumble outweighs all else, and is loud."""
        return self.low > RUMBLE and self.low > self.floor

    def wind(self) -> HeardError:
        return HeardError("Wind on the microphone hides the shot.", "Shield the phone from the wind, and shoot again.")

    def nothing(self) -> HeardError:
        if self.windy:
            return self.wind()
        return HeardError("No shot is heard in this clip.", "Lay the phone nearer, and let it run until after the thump.")

    def events(self) -> list[Event]:
        """Every sharp sound, in order."""
        n = {k: max(1, round(s * self.rate)) for k, s in (("after", AFTER_S), ("before", BEFORE_S), ("apart", APART_S))}
        floor = max(float(np.median(self.flat)), 1e-12)
        sums = np.concatenate([[0.0], np.cumsum(self.flat)])
        step = max(1, round(STEP_S * self.rate))
        at = np.arange(n["before"] + n["apart"], len(self.power) - n["after"], step)
        if not len(at):
            return []
        after = (sums[at + n["after"]] - sums[at]) / n["after"]
        before = (sums[at - n["apart"]] - sums[at - n["apart"] - n["before"]]) / n["before"]
        sharp = 10 * np.log10(np.maximum(after, 1e-12) / np.maximum(before, floor))
        peaks, _ = find_peaks(sharp, height=SHARP_DB, distance=max(1, round(0.010 / STEP_S)))
        peaks = peaks[10 * np.log10(after[peaks] / floor) >= OVER_DB]
        if len(peaks) > MOST_EVENTS:
            raise (
                self.wind()
                if self.windy
                else HeardError(
                    "There is too much noise to make out a shot.",
                    "Shoot again where it is quiet, or give the part with the shot.",
                )
            )
        groups: list[list[int]] = []
        for q in at[peaks]:
            if groups and q - groups[-1][-1] <= MERGE_S * self.rate:
                groups[-1].append(int(q))
            else:
                groups.append([int(q)])
        return [self._event(g[0], g[-1]) for g in groups]

    def _event(self, first: int, last: int) -> Event:
        """One sound from where it begins to stand out: the rise to what it reaches."""
        rate = self.rate
        back, on = (
            max(0, first - round(0.008 * rate)),
            min(len(self.power), max(last + round(0.012 * rate), first + round(MERGE_S * rate))),
        )
        amp = np.sqrt(self.power[back:on])
        quiet = self.power[max(0, back - round(BEFORE_S * rate)) : max(1, back)]
        base = math.sqrt(float(quiet.mean()))
        top = float(amp.max())
        share = (amp - base) / max(top - base, 1e-12)
        held = max(1, round(HELD_S * rate))
        over = share >= HEARD_AT
        stays = np.convolve(over, np.ones(held), "full")[held - 1 :][: len(over)] >= held
        begin = int(np.argmax(stays)) if stays.any() else int(np.argmax(over))
        low = begin
        while low > 0 and share[low] > RISE_FROM:
            low -= 1
        reach = np.nonzero(share[begin:] >= RISE_TO)[0]
        high = begin + (int(reach[0]) if len(reach) else len(share) - 1 - begin)
        rise = max(high - low, 1) / rate
        carried = min(rise * RISE_FROM / (RISE_TO - RISE_FROM), CARRIED_S)
        noise = base / max(top, 1e-12)
        u = math.hypot(LEAST_U_S, 0.5 * carried + 0.3 * rise * (0.5 + 2 * noise))
        return Event(self.begin_s + (back + low) / rate - carried, u, 20 * math.log10(max(top, 1e-6)))

    def alike(self, one: Event, later: Event) -> bool:
        """Whether the later sound repeats the earlier: an echo keeps its waveform, more or less."""
        n, lag = round(ECHO_S * self.rate), round(ECHO_LAG_S * self.rate)
        i, j = (round((e.at_s - self.begin_s) * self.rate) for e in (one, later))
        # Sounds of one pitch are alike in their deep notes, whatever made them: so it is the changes that are compared.
        a, b = np.diff(self.band[max(0, i) : i + n]), np.diff(self.band[max(0, j - lag) : j + n + lag])
        if len(a) < n // 2 or len(b) < len(a) or j - i < n or later.level_db > one.level_db - WEAKER_DB:
            return False
        size = np.sqrt(np.convolve(b**2, np.ones(len(a)), "valid"))
        match = np.abs(correlate(b, a, "valid")) / np.maximum(size * np.linalg.norm(a), 1e-12)
        return bool(match.max() > ALIKE)

    def clipped(self, event: Event) -> bool:
        i = round((event.at_s - self.begin_s) * self.rate)
        begin = self.peak[max(0, i) : i + round(FULL_S * self.rate)]
        return bool(len(begin) and np.mean(begin >= FULL_SCALE) > FULL_SHARE)


def _whitened(band: Array, rate: int) -> Array:
    """The band with its background flattened, by linear prediction from the clip's quieter half.

    Deep noise comes in waves that look like sounds beginning; flat noise hardly ever does.
    """
    n = round(0.02 * rate)
    frames = band[: len(band) // n * n].reshape(-1, n)
    quiet = frames[np.argsort((frames**2).mean(axis=1))[: max(1, len(frames) // 2)]]
    spectrum = (np.abs(np.fft.rfft(quiet * np.hanning(n), 2 * n)) ** 2).mean(axis=0)
    like = np.fft.irfft(spectrum)[: WHITE_ORDER + 1]
    like[0] *= 1 + 1e-3
    if like[0] <= 1e-15:
        return band
    ahead = solve_toeplitz(like[:-1], like[1:])
    return np.asarray(lfilter(np.r_[1.0, -ahead], [1.0], band))
