"""How well sheets are found on tables of many kinds: ``python -m tests.benchmarks.framing``.

Per kind the mean and the worst intersection over union in page space (SmartDoc 2015), the share of
photos at 0.99 and over, and processor seconds a photo of 2 MP. The second half of the kinds had no
part in making the framing. ``--corner`` pushes a corner of each sheet out of the picture,
``--hidden N`` N of its sides: then only the part in the picture counts.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from inkclean.sheet.framing.frame import find_frame
from tests.sheet import tables
from tests.sheet.desks import jaccard, jaccard_shown


def main() -> None:
    """Print a line for each kind of table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--photos", type=int, default=10)
    asked.add_argument("--corner", action="store_true")
    asked.add_argument("--hidden", type=int, default=0)
    asked.add_argument("--first", type=int, default=0, help="number of the first photo of a kind")
    options = asked.parse_args()
    known = {"known": tables.KNOWN, "kept out": tables.KEPT_OUT, "later": tables.LATER}
    for title, kinds in known.items():
        every: list[float] = []
        for kind in kinds:
            scores, seconds, said = [], [], 0
            for seed in range(options.first, options.first + options.photos):
                shown = tables.shoot(kind, seed, out=options.corner, hidden=options.hidden)
                start = time.process_time()
                frame = find_frame(shown.photo)
                seconds.append(time.process_time() - start)
                high, wide = shown.photo.pixels.shape[:2]
                scores.append(
                    jaccard_shown(frame, shown.corners, (wide, high))
                    if options.hidden
                    else jaccard(frame, shown.corners, shown.page_mm)
                )
                said += scores[-1] < 0.97 and frame.confidence < 0.6
            every += scores
            missed = sum(score < 0.97 for score in scores)
            print(
                f"{kind:16} mean {np.mean(scores):.3f} worst {min(scores):.3f} "
                f"0.99 and over {np.mean(np.array(scores) >= 0.99):.2f} "
                f"under 0.97 {missed}, said {said}; {np.mean(seconds):.2f} s",
                flush=True,
            )
        print(f"{title}: mean {np.mean(every):.3f}, {np.mean(np.array(every) >= 0.99):.3f}")


if __name__ == "__main__":
    main()
