"""Shots synthesised for testing speed by ear. NOTHING HERE WAS RECORDED: flights are integrated, sounds are noise and ringing.

The flight comes from the equations of motion with a drag that changes with the speed; it shares no formula with the product.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, field

import av
import numpy as np
from scipy.integrate import solve_ivp
from scipy.signal import butter, sosfilt

RATE = 48_000
GRAIN, INCH, YARD = 6.479891e-5, 0.0254, 0.9144


@dataclass
class Shot:
    """How one shot was, in truth. ``drag`` at 50 m/s, by the shaft's cross section. Levels are peaks at 1 m, full scale 1."""

    distance: float = 20 * YARD
    speed: float = 48.0
    arrow_kg: float = 500 * GRAIN
    shaft: float = 11 / 32 * INCH
    length: float = 29 * INCH
    brace: float = 6 * INCH
    drag: float = 2.5
    celsius: float = 20.0
    damp: float = 1.0015  # what damp air adds to the speed of sound
    wind: float = 0.0  # along the flight
    to_bow: float = 0.6
    to_target: float | None = None
    loudest: float = 0.0  # s: the string is loudest so much after the arrow has left it
    string_level: float = 0.35
    thump_level: float = 0.5
    click: float = 0.1  # the release, before, against the string
    noise_db: float = -68.0
    rumble_db: float = -70.0
    walls: list[tuple[float, float]] = field(default_factory=list)  # extra way of the sound (m), and how much comes back
    lead: float = 1.0
    tail: float = 0.8

    def flight(self) -> tuple[float, float]:
        """Seconds that the point takes from leaving the string to the target's face, and the speed there."""
        way = self.distance - (self.length - self.brace)
        area = math.pi * self.shaft**2 / 4
        density = 101325 / (287.05 * (self.celsius + 273.15))

        def moves(_t, y):
            v = math.hypot(y[2], y[3])
            a = density * self.drag * (v / 50) ** -0.15 * area / (2 * self.arrow_kg) * v
            return [y[2], y[3], -a * y[2], -a * y[3] - 9.80665]

        def struck(_t, y):
            return y[0] - way

        struck.terminal = True
        up = math.asin(min(0.5, 9.80665 * way / self.speed**2)) / 2
        for _ in range(4):  # aimed so that it comes down at about the height it left
            got = solve_ivp(moves, (0, 5), [0, 0, self.speed * math.cos(up), self.speed * math.sin(up)], events=struck, rtol=1e-9)
            end = got.y_events[0][0]
            up -= end[1] / way
        return float(got.t_events[0][0]), float(math.hypot(end[2], end[3]))

    def sound(self, rng: np.random.Generator, rate: int = RATE, strings: int = 1, thump: bool = True) -> np.ndarray:
        """What the phone records (n,). ``strings``: shots, a second and a half apart."""
        c = 331.3 * math.sqrt(1 + self.celsius / 273.15) * self.damp
        b = self.distance if self.to_target is None else self.to_target
        time, _ = self.flight()
        n = round((self.lead + self.tail + (strings - 1) * 1.5 + time + b / c + 0.2) * rate)
        out = np.zeros(n)
        for k in range(strings):
            t0 = self.lead + 1.5 * k
            heard = t0 + self.loudest + self.to_bow / c
            string = string_sound(rng, rate)
            add(out, rate, heard, string, self.string_level / max(self.to_bow, 0.3))
            tick = click_sound(rng, rate)
            add(out, rate, heard - rng.uniform(0.013, 0.022), tick, self.click * self.string_level / max(self.to_bow, 0.3))
            struck = t0 + time + b / (c + self.wind)
            hit = thump_sound(rng, rate)
            if thump:
                add(out, rate, struck, hit, self.thump_level / max(b, 0.3))
            for way, back in self.walls:
                add(out, rate, heard + way / c, dulled(string, rate), back * self.string_level / (self.to_bow + way))
                if thump:
                    add(out, rate, struck + way / c, dulled(hit, rate), back * self.thump_level / (b + way))
        return out + hiss(rng, n, rate, self.noise_db) + rumble(rng, n, rate, self.rumble_db)


def add(out: np.ndarray, rate: int, at_s: float, sound: np.ndarray, level: float) -> None:
    """Put a sound in, to a part of a sample."""
    first = int(math.floor(at_s * rate))
    part = at_s * rate - first
    moved = np.interp(np.arange(len(sound) + 1) - part, np.arange(len(sound)), sound, left=0, right=0)
    end = min(len(out), first + len(moved))
    out[first:end] += level * moved[: end - first]


def ringing(rng, rate, seconds, bands, attack, decay):
    """Ringing at some frequencies and noise, risen in ``attack`` and fallen away in ``decay`` s; its peak is 1."""
    t = np.arange(round(seconds * rate)) / rate
    out = np.zeros(len(t))
    for low, high, share in bands:
        f = rng.uniform(low, high)
        out += share * np.sin(2 * np.pi * f * t + rng.uniform(0, 2 * np.pi)) * np.exp(-t / (decay * rng.uniform(0.6, 1.6)))
    reach = (bands[0][0], min(bands[-1][1], 0.4 * rate))
    wide = sosfilt(butter(2, reach, "bandpass", fs=rate, output="sos"), rng.normal(size=len(t)))
    out += 0.8 * wide / np.abs(wide).max() * np.exp(-t / decay)
    out *= 1 - np.exp(-t / attack)
    return out / np.abs(out).max()


def string_sound(rng, rate=RATE):
    bands = [(180, 500, 1.0), (500, 1200, 0.7), (1200, 3500, 0.4)]
    return ringing(rng, rate, 0.25, bands, rng.uniform(0.0003, 0.0012), rng.uniform(0.015, 0.05))


def thump_sound(rng, rate=RATE):
    bands = [(120, 300, 1.0), (300, 900, 0.6), (900, 2200, 0.25)]
    return ringing(rng, rate, 0.3, bands, rng.uniform(0.0003, 0.0015), rng.uniform(0.010, 0.035))


def click_sound(rng, rate=RATE):
    return ringing(rng, rate, 0.02, [(800, 2000, 1.0), (2000, 5000, 0.6)], 0.0003, 0.003)


def dulled(sound, rate):
    """As a wall sends it back: the high notes are weaker."""
    return sosfilt(butter(1, 2500, "lowpass", fs=rate, output="sos"), sound)


def hiss(rng, n, rate, db):
    """Birds, leaves and the microphone: noise that falls by 3 dB an octave."""
    spectrum = np.fft.rfft(rng.normal(size=n))
    f = np.maximum(np.fft.rfftfreq(n, 1 / rate), 50)
    out = np.fft.irfft(spectrum / np.sqrt(f), n)
    return out / out.std() * 10 ** (db / 20)


def rumble(rng, n, rate, db):
    """Wind on the microphone: below 100 Hz, in gusts."""
    out = sosfilt(butter(2, (15, 90), "bandpass", fs=rate, output="sos"), rng.normal(size=n))
    t = np.arange(n) / rate
    gusts = 1 + 0.6 * np.sin(2 * np.pi * rng.uniform(0.4, 1.5) * t + rng.uniform(0, 6))
    return out * gusts / out.std() * 10 ** (db / 20)


def as_clip(
    samples: np.ndarray, rate: int = RATE, codec: str = "aac", kind: str = "mp4", bits: int = 96_000, channels: int = 1
) -> bytes:
    """The sound as a phone keeps it: AAC in mp4, unless another codec and container are named."""
    file = io.BytesIO()
    layout = "stereo" if channels == 2 else "mono"
    flat = codec.startswith("pcm")
    with av.open(file, "w", format=kind) as container:
        stream = container.add_stream(codec, rate=rate, layout=layout)
        if not flat:
            stream.bit_rate = bits
        cut = np.clip(samples, -1, 1).astype(np.float32)
        size = 1024
        for first in range(0, len(cut), size):
            block = np.repeat(cut[None, first : first + size], channels, axis=0)
            frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(block), format="fltp", layout=layout)
            frame.sample_rate, frame.pts = rate, first
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return file.getvalue()
