"""Invented bows whose natural bend nobody photographed: smooth reflex or set, flipped tips, crooks of the stave."""

from __future__ import annotations

import numpy as np

from tests.support.benches import HALF_HANDLE_MM, ROOT_MM
from tillerlens.mechanics.statics import Bow, ElasticLimb, Handle


def random_bow(rng: np.random.Generator) -> Bow:
    """Limbs of 620 to 740 mm, tapered, a third of them with a soft or a stiff place; tips up to 50 mm reflexed or 45 mm set,
    both limbs much alike; a third with the outer part bent by itself; two to five crooks of up to 0.08 per metre on each limb.
    The numbers are drawn evenly, not from the prior of the code under test."""
    length = rng.uniform(620, 740)
    s = np.linspace(0, length, 141)
    z = s / length
    modulus, wide, tip = rng.uniform(9000, 15000), rng.uniform(34, 44), rng.uniform(11, 16)
    full_to, thin = rng.uniform(0.3, 0.6), rng.uniform(0.55, 0.75)
    reflex, flipped = rng.uniform(-50, 45), rng.uniform(-0.25, 0.15) if rng.random() < 1 / 3 else 0.0
    limbs = []
    for _ in range(2):
        width, deep = np.interp(z, [0, full_to, 1], [wide, wide, tip]), ROOT_MM * np.interp(z, [0, 1], [1, thin])
        ei = modulus * width * deep**3 / 12 * np.exp(0.05 * rng.uniform(-1, 1))
        if rng.random() < 1 / 3:
            size = rng.choice([-1, 1]) * rng.uniform(0.1, 0.25)
            ei = ei * (1 + size * np.exp(-0.5 * ((s - rng.uniform(0.2, 0.8) * length) / rng.uniform(25, 50)) ** 2))
        k0 = np.full(s.size, 2 * (reflex + rng.uniform(-12, 12)) / length**2)
        k0 = k0 + flipped / 1000 * np.clip((z - 0.6) / 0.2, 0, 1)
        for _ in range(rng.integers(2, 6)):
            k0 = k0 + rng.uniform(-8e-5, 8e-5) * np.exp(-0.5 * ((s - rng.uniform(0, length)) / rng.uniform(20, 60)) ** 2)
        limbs.append(ElasticLimb(s, ei, k0))
    return Bow(limbs[0], limbs[1], Handle(HALF_HANDLE_MM, HALF_HANDLE_MM, ROOT_MM))
