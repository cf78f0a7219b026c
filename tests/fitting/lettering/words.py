"""Fits what tells words without a balloon from other groups of marks that look like letters.

Run: ``python -m tests.fitting.lettering.words collect ART.npz FONTS OUT.npz SEED PAGES``, several
times with other seeds, then ``… words fit OUT.f32 CHOOSE.npz DATA.npz...`` (torch). ``art.py``
makes ART and FONTS. CHOOSE is of pages that nothing is fitted on. Two seconds a page.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import nn

from inkclean.base.arrays import Bool
from inkclean.flats.lettering import find
from inkclean.flats.lettering.balloons import find_balloons
from inkclean.flats.lettering.enclosed import FEATURES, HIDDEN
from inkclean.flats.lettering.judge import letter_odds
from inkclean.flats.lettering.marks import Marks, find_marks
from inkclean.flats.lettering.words import SUREST, seen_groups
from tests.fitting.lettering.collect import worn
from tests.fitting.lettering.packed import Art, setters_of
from tests.lettering import pages, words

LOST = (0.0, 0.1, 0.3)  # shares of letters that are taken from a page: fonts unseen are found less
UNSURE = 2.5  # and by so much less sure at most
STEPS = 1500
JITTER = 0.15  # of each figure's spread
ART_COUNTS = 1.6  # art taken weighs so many times a word missed
ART_SURER = 2.0  # marks of art unseen look more like letters, by so much at most,
LETTERS_LESS = 1.5  # and letters of fonts unseen less


def page(seed: int, setters: list[words.Setter], art: Art) -> tuple[Any, Any, Any]:
    """Return what groups of a page are like, (N, FEATURES), whether words (or -1), ink in mm²."""
    rng = np.random.default_rng(seed + 3_000_000)
    board = pages.board(seed, setters, art.any, bare=0.15, crowds=True)
    ink, kind, scale = worn(board.coverage, board.kind, rng)
    marks = find_marks(np.ascontiguousarray(ink), scale)
    odds = letter_odds(marks)
    text = np.bincount(marks.label[ink], kind[ink] == pages.TEXT, len(marks.size) + 1)[1:]
    lost = float(rng.choice(LOST))
    odds = odds - np.float32(rng.uniform(0, UNSURE) * (lost > 0))
    odds = np.where(rng.random(len(odds)) < lost, np.minimum(odds, -1.0), odds).astype(np.float32)
    rows = np.flatnonzero(_free(marks, odds))
    if not len(rows):
        return np.zeros((0, FEATURES), np.float32), np.zeros(0, np.int8), np.zeros(0)
    group, seen = seen_groups(marks, odds, rows)
    total = np.bincount(group, marks.size[rows])
    share = np.bincount(group, text[rows]) / total
    label = np.where(share > 0.7, 1, np.where(share < 0.3, 0, -1)).astype(np.int8)
    return seen, label, total / scale**2


def _free(marks: Marks, odds: Any) -> Bool:
    letter = find.letters_of(marks, odds)
    balloons = find_balloons(marks.ink, marks.label, marks.box, odds, letter, marks.px_per_mm)
    within = np.zeros(marks.ink.shape, bool)
    for one in balloons:
        within[one.place] |= one.inside
    return np.asarray(letter & ~find.held_by(marks, within))


def collect(art_file: str, fonts: str, out: str, seed: str, many: str) -> None:
    """Draw pages and keep what their groups are like."""
    art, setters = Art(Path(art_file)), setters_of(Path(fonts))
    found = [page(int(seed) + k, setters, art) for k in range(int(many))]
    seen, own, size = (np.concatenate([f[k] for f in found]) for k in range(3))
    np.savez(out, seen=seen, own=own, size=size)


def fit(out: str, choose: str, paths: list[str]) -> None:
    """Fit the judge."""
    torch.manual_seed(0)
    seen, own, size = _load(paths)
    held = _load([choose])
    mean, spread = seen.mean(0), seen.std(0) + 1e-2
    net = nn.Sequential(nn.Linear(FEATURES, HIDDEN), nn.ReLU(), nn.Linear(HIDDEN, 1))
    plain, centre, wide = (torch.from_numpy(part) for part in (seen, mean, spread))
    label = torch.from_numpy(own.astype(np.float32))
    # by the root of their ink: what is large shows
    root = np.sqrt(np.clip(size, 0.2, 60))
    share = root * np.where(own == 1, 1 / root[own == 1].sum(), ART_COUNTS / root[own == 0].sum())
    weight = torch.from_numpy((share * len(own)).astype(np.float32))
    optimiser = torch.optim.AdamW(net.parameters(), 5e-3, weight_decay=0.05)
    schedule = torch.optim.lr_scheduler.CosineAnnealingLR(optimiser, STEPS)
    lost = nn.BCEWithLogitsLoss(reduction="none")
    for _ in range(STEPS):
        jitter = (_unseen(plain, label) - centre) / wide + JITTER * torch.randn_like(plain)
        loss = (lost(net(jitter)[:, 0], label) * weight).mean()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        schedule.step()
    for name, (x, y, mm2) in (("fitted on", (seen, own, size)), ("kept", held)):
        with torch.no_grad():
            odds = net(torch.from_numpy((x - mean) / spread))[:, 0].numpy()
        for sure in (-1, 0, 1, 2):
            found = odds > sure
            print(
                f"{name} {len(y)} over {sure}: found {found[y == 1].mean():.4f}",
                f"taken {found[y == 0].mean():.4f}; by ink",
                f"found {mm2[(y == 1) & found].sum() / mm2[y == 1].sum():.4f}",
                f"taken {mm2[(y == 0) & found].sum() / mm2[y == 0].sum():.4f}",
                flush=True,
            )
    w1, b1 = net[0].weight.detach().numpy() / spread, net[0].bias.detach().numpy()
    w2, b2 = net[2].weight.detach().numpy(), net[2].bias.detach().numpy()
    parts = [w1.T, b1 - w1 @ mean, w2[0], b2]
    np.concatenate([part.ravel() for part in parts]).astype("<f4").tofile(out)


def _unseen(seen: Any, label: Any) -> Any:
    """Return groups (N, FEATURES) as art and fonts that nothing was fitted on would have them.

    Art unseen looks more like letters and is denser than our pages; many words stand on bare paper.
    """
    art = label < 0.5
    shift = torch.rand(len(seen)) * torch.where(art, ART_SURER, -LETTERS_LESS)
    out = seen.clone()
    for column in (1, 2, 4):  # odds of a mark: the mean, by ink, the lower quartile
        out[:, column] = (seen[:, column] + shift).clamp(-SUREST, SUREST)
    total = torch.expm1(seen[:, 3]) + shift * torch.exp(seen[:, 0])
    out[:, 3] = torch.log1p(total.clamp(min=0))
    half, much = torch.rand(len(seen)) < 0.5, torch.rand(len(seen))
    for column, dense in ((14, 1.2), (15, 2.5), (16, 0.8)):  # ink and marks of others
        there = seen[:, column]
        denser = torch.maximum(there, much * dense)
        out[:, column] = torch.where(half, torch.where(art, denser, there * much), there)
    return out


def _load(paths: list[str]) -> tuple[Any, Any, Any]:
    data = [np.load(path) for path in paths]
    seen, own, size = (np.concatenate([d[key] for d in data]) for key in ("seen", "own", "size"))
    known = own >= 0
    return seen[known].astype(np.float32), own[known], size[known]


def main() -> None:
    """Collect, or fit."""
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    what, *rest = sys.argv[1:]
    if what == "collect":
        collect(*rest)
    else:
        fit(rest[0], rest[1], rest[2:])


if __name__ == "__main__":
    main()
