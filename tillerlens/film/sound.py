"""The sound of a clip as samples: decoded once, channels mixed, whatever container and codec a phone wrote."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.reading import shown
from tillerlens.film.clip import ClipError, breaks_off, open_clip

Array = NDArray[np.float64]

MOST_S = 60.0  # a shot takes one second: no need to hold hours of sound
LEAST_RATE = 8000  # samples a second; slower ones hold no sharp sound
GAP_S = 0.005  # containers round their times to a millisecond or two
SHORT_S, SHORT_SHARE = 0.5, 0.05  # how much of what its head promises a clip may lack
SHORTEST_S = 0.2
MOST_CHANNELS = 8  # of phones; with more, PyAV reads past what FFmpeg holds for it


@dataclass(frozen=True, eq=False)
class Sound:
    """``samples`` (n,), full scale 1, at ``rate`` a second; ``peak``: the loudest sample of any channel, before they were mixed,
    by sample (n,)."""

    samples: Array
    peak: Array
    rate: int
    name: str

    @property
    def duration_s(self) -> float:
        return len(self.samples) / self.rate


def read_sound(source: Path | bytes, name: str | None = None) -> Sound:
    """The sound of a clip.

    Raises
    ------
    ClipError
        No clip, no sound in it, one that breaks off or has holes, or one longer than ``MOST_S``.
    """
    import av

    name = shown(name or (source.name if isinstance(source, Path) else "this clip"))
    parts: list[Array] = []
    with open_clip(source, name) as container:
        if not container.streams.audio:
            raise ClipError(f"{name} has no sound.", "Record it with the microphone on.")
        stream = container.streams.audio[0]
        if stream.codec_context is None or not 1 <= stream.layout.nb_channels <= MOST_CHANNELS:
            raise ClipError(
                f"The sound of {name} is in a form that can't be read.", "Record it with the phone's own camera or recorder."
            )
        rate = int(stream.rate or 0)
        if rate < LEAST_RATE:
            raise ClipError(f"The sound of {name} is too coarse for this: {rate} samples a second.", "Record it with a phone.")
        resampler = av.AudioResampler(format="fltp", layout=stream.layout, rate=rate)  # one form, whatever the codec gives
        begun = expected = None
        count = 0
        for frame in container.decode(stream):
            if frame.layout.nb_channels != stream.layout.nb_channels or frame.sample_rate != rate:
                raise ClipError(
                    f"The sound of {name} changes its form on the way: the file is damaged.", "Record the shot again."
                )
            at = None if frame.pts is None or frame.time_base is None else float(frame.pts * frame.time_base)
            if at is not None:
                begun = at if begun is None else begun
                if expected is not None and abs(at - expected) > GAP_S:
                    raise ClipError(f"The sound of {name} has a hole at {at:.2f} s.", "Record the shot again.")
                expected = at + frame.samples / rate
            for piece in resampler.resample(frame):
                parts.append(np.asarray(piece.to_ndarray(), np.float64))
                count += parts[-1].shape[1]
            if count > MOST_S * rate:
                raise ClipError(f"{name} is longer than {MOST_S:.0f} seconds.", "Trim it on the phone to the one shot.")
        stated = None if stream.duration is None or stream.time_base is None else float(stream.duration * stream.time_base)
    got = count / rate
    if stated is not None and stated - got > max(SHORT_S, SHORT_SHARE * stated):
        raise breaks_off(name, got, stated)
    if got < SHORTEST_S:
        raise ClipError(f"{name} holds only {got:.1f} s of sound.", "Let it run from before the shot until after it.")
    channels = np.concatenate(parts, axis=1)
    return Sound(channels.mean(axis=0), np.abs(channels).max(axis=0), rate, name)
