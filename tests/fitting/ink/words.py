"""Words that mean nothing."""

from __future__ import annotations

import numpy as np

_SYLLABLES = (
    *("ba", "ko", "mi", "ren", "tal", "us", "en", "or", "shi", "ve", "lum", "ga", "str", "ing"),
    *("ath", "ou", "ly", "qu", "ex", "zo", "wy", "ff", "hol", "da", "ip", "te", "jun", "pr"),
)


def sentence(rng: np.random.Generator, count: int) -> str:
    """Return ``count`` words, some with a capital, some numbers, and a stop at times."""
    words = []
    for _ in range(count):
        word = "".join(rng.choice(_SYLLABLES, int(rng.integers(1, 4))))
        how = rng.random()
        word = word.capitalize() if how < 0.2 else word.upper() if how < 0.3 else word
        words.append(word if rng.random() < 0.9 else str(rng.integers(1, 2000)))
    return " ".join(words) + str(rng.choice(["", ".", ",", "!", "?"]))
