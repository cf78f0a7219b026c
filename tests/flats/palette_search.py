"""How the muted colours were found: run ``python -m tests.flats.palette_search``.

Annealing over lightness, chroma and hue in CIELAB. The condition, that every pair and each
colour with the paper are told apart by all eyes, is a steep penalty; the wish, light colours
of low chroma far apart in hue, a gentle slope.
"""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F64
from inkclean.flats.colour.palette import APART, PAPER, colour_name
from inkclean.flats.colour.space import (
    EYES,
    difference,
    lab_to_linear,
    lab_to_srgb,
    seen_by,
    to_lab,
)

_COLOURS, _SETS, _STEPS = 5, 30, 1500
_MARGIN = 0.6


def search(seed: int) -> tuple[float, F64]:
    """Return the score of the best set found and its colours (5, 3) in CIELAB, palest first."""
    random = np.random.default_rng(seed)
    low, high = [42.0, 8.0, 0.0], [86.0, 34.0, 2 * np.pi]
    sets = random.uniform(low, high, (_SETS, _COLOURS, 3))
    scores = _score(sets)
    for step in range(_STEPS):
        left = 1 - step / _STEPS
        moved = random.random((_SETS, _COLOURS, 1)) < 0.35
        tried = sets + random.normal(size=sets.shape) * [10, 8, 0.8] * (left + 0.03) * moved
        tried[..., 0] = np.clip(tried[..., 0], 40, 88)
        tried[..., 1] = np.clip(tried[..., 1], 4, 40)
        found = _score(tried)
        heat = 3 * left**2 + 0.01
        taken = random.random(_SETS) < np.exp(np.clip((found - scores) / heat, -50, 0))
        sets[taken], scores[taken] = tried[taken], found[taken]
    best = int(scores.argmax())
    lab = _lab(sets[best])
    return float(scores[best]), lab[np.argsort(-lab[:, 0])]


def _lab(lch: F64) -> F64:
    light, chroma, hue = lch[..., 0], lch[..., 1], lch[..., 2]
    return np.stack([light, chroma * np.cos(hue), chroma * np.sin(hue)], axis=-1)


def _score(sets: F64) -> F64:
    lab = _lab(sets)
    linear = lab_to_linear(lab)
    outside = np.clip(-linear, 0, None).sum((1, 2)) + np.clip(linear - 1, 0, None).sum((1, 2))
    paper = np.broadcast_to(PAPER, (len(sets), 1, 3))
    every = np.concatenate([lab_to_srgb(lab), paper], axis=1)
    one, other = np.triu_indices(_COLOURS + 1, 1)
    alike = np.zeros(len(sets))
    for eyes in EYES:
        seen = to_lab(seen_by(every, eyes))
        apart = difference(seen[:, one], seen[:, other])
        alike += np.clip(APART + _MARGIN - apart, 0, None).sum(axis=1)
    spread = np.linalg.norm(lab[:, :, None, 1:] - lab[:, None, :, 1:], axis=-1)
    nearest = np.minimum(spread + np.eye(_COLOURS) * 99, 40).min(axis=2).mean(axis=1)
    light = 0.35 * sets[..., 0].mean(axis=1) + 0.5 * np.minimum(sets[..., 0].min(axis=1), 50)
    loud = 0.25 * np.clip(sets[..., 1] - 24, 0, None).sum(axis=1)
    return np.asarray(light + 0.35 * nearest - loud - 10 * alike - 200 * outside)


if __name__ == "__main__":
    for number in range(6):
        score, colours = search(number)
        srgb = lab_to_srgb(colours)
        print(f"{score:6.1f}", *(f"{colour_name(c)} {c.tolist()}" for c in srgb), sep="  ")
