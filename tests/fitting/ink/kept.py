"""Pages kept apart from fitting, by which networks are compared: other fonts, other drawings.

Run: ``python -m tests.fitting.ink.kept KEPT COUNT OUT`` with a folder that
``tests.fitting.ink.art … kept`` wrote of what has no part in the fitting; it draws COUNT pages
and packs them into OUT.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.nn.functional as fn
from torch import Tensor

from tests.fitting.ink import net as nets
from tests.fitting.ink.marks import Art, page, text
from tests.fitting.ink.pool import KINDS, Pool
from tests.fitting.ink.sketch import sketch
from tests.fitting.ink.wear import Seen, worn

FAR_PX = 4  # what is found further from ink is false
NEAR_PX = 3  # ink that is further from what was found is lost


def draw(art: Path, count: int, out: Path) -> None:
    """Draw pages and pack them, half of them full of lettering."""
    rng, drawn = np.random.default_rng(77), Art(art)
    planes: dict[str, Any] = {}
    for k in range(count):
        maps = text(rng, drawn) if k % 2 else page(rng, drawn)
        nature = [*maps.nature[::2, ::2].transpose(2, 0, 1), sketch(rng)]
        planes[f"cover{k}"], planes[f"nature{k}"] = maps.coverage(), np.stack(nature)
    np.savez_compressed(out, **planes)


def seen(packed: Path, device: torch.device, many: int) -> dict[str, Seen]:
    """Return ``many`` pieces of each kind of the pages packed, worn the same way every time."""
    if not packed.exists():
        return {}
    with np.load(packed) as data:
        count = len(data.files) // 2
        pool = Pool(count, device)
        for k in range(count):
            pool.add(data[f"cover{k}"], data[f"nature{k}"], lettered=k % 2 == 1)
    torch.manual_seed(11)
    return {kind: worn(pool.pieces(many, kind)) for kind in KINDS}


def mixed(pool: Pool, each: int) -> Seen:
    """Return pieces of all kinds together."""
    kinds = [vars(worn(pool.pieces(each, kind))) for kind in KINDS]
    return Seen(**{name: torch.cat([k[name] for k in kinds]) for name in kinds[0]})


def told(net: nets.InkNet, pieces: Seen) -> str:
    """Return figures of a network on pieces, in per cent of the ink."""
    odds, soft = [], []
    with torch.no_grad():
        for part in torch.arange(len(pieces.dark), device=pieces.dark.device).split(16):
            out = net(nets.folded(pieces.dark[part], pieces.level[part])).float()
            odds.append(nets.unfolded(out))
            soft.append(out[:, -1])
    return figures(torch.cat(odds), torch.cat(soft), pieces)


def figures(odds: Tensor, soft: Tensor, pieces: Seen) -> str:
    """Return F, false ink far from ink, strokes lost, dry ink found, F of soft marks.

    With them the share of the middle of dry strokes that is found, false ink at their
    rim, and what is found of lone marks.
    """
    says = pieces.vote > 0
    found, truth = (odds > 0) & says, (pieces.truth > 0.5) & says
    ink = truth.sum().clamp_min(1) / 100
    both = (found & truth).sum()
    f = 200 * both / (found.sum() + truth.sum()).clamp_min(1)
    far = (found & ~_grown((pieces.truth > 0.2), FAR_PX)).sum() / ink
    lost = (truth & ~_grown(odds > 0, NEAR_PX)).sum() / ink
    dry = truth & (pieces.vote > 1.5)
    recall = 100 * (found & dry).sum() / dry.sum().clamp_min(1)
    middle = (pieces.middle > 0) & truth
    whole = 100 * (found & middle).sum() / middle.sum().clamp_min(1)
    rim = 100 * (found & ~truth & (pieces.vote > 1.5)).sum() / dry.sum().clamp_min(1)
    alone = (pieces.alone > 0) & truth
    marks = 100 * (found & alone).sum() / alone.sum().clamp_min(1)
    asked, there = pieces.soft >= 0, pieces.soft > 0.5
    hit = 2 * ((soft > 0) & there).sum()
    g = 100 * hit / (((soft > 0) & asked).sum() + there.sum()).clamp_min(1)
    return (
        f"F {float(f):.2f}, far {float(far):.2f}, lost {float(lost):.2f}, "
        f"dry {float(recall):.2f}, its middle {float(whole):.2f}, wide {float(rim):.2f}, "
        f"lone {float(marks):.2f}, soft {float(g):.2f}"
    )


def _grown(mask: Tensor, px: int) -> Tensor:
    return fn.max_pool2d(mask[:, None].float(), 2 * px + 1, 1, px)[:, 0] > 0


if __name__ == "__main__":
    draw(Path(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]))
