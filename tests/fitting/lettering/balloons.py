"""Fits what tells balloons from other paper that ink closes off around letters.

Run: ``python -m tests.fitting.lettering.balloons collect ART.npz FONTS OUT.npz SEED PAGES``,
several times with other seeds, then ``… balloons fit OUT.f32 CHOOSE.npz DATA.npz...`` (torch).
``art.py`` makes ART and FONTS. CHOOSE is of pages that nothing is fitted on. Two seconds a page.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import nn

from inkclean.base.arrays import U8
from inkclean.flats.lettering import find
from inkclean.flats.lettering.balloons import LEAKS_MM, away_of
from inkclean.flats.lettering.enclosed import FEATURES, HIDDEN, LARGEST, Inked, insides
from inkclean.flats.lettering.judge import letter_odds
from inkclean.flats.lettering.marks import Marks, find_marks
from tests.fitting.lettering.collect import worn
from tests.fitting.lettering.packed import Art, setters_of
from tests.lettering import pages, words
from tests.lettering.thoughts import thoughts_and_blacks

LOST = (0.0, 0.15, 0.4)  # shares of letters that are taken from a page: fonts unseen are found less
STEPS = 900
JITTER = 0.15  # of each figure's spread
SAME = 0.75  # overlap by which an inside is a balloon's


def page(seed: int, setters: list[words.Setter], art: Art) -> tuple[Any, Any]:
    """Return what the insides of a page are like, (N, FEATURES), and which are balloons'."""
    rng = np.random.default_rng(seed + 2_000_000)
    more = thoughts_and_blacks if rng.random() < 0.5 else None
    board = pages.board(seed, setters, art.any, bare=0.15, more=more)
    ink, kind, scale = worn(board.coverage, board.kind, rng)
    outlines = _places(board, kind.shape)
    marks = find_marks(np.ascontiguousarray(ink), scale)
    odds = letter_odds(marks)
    seen, label = [], []
    for lost in LOST[: 1 + int(rng.integers(len(LOST)))]:
        for one, own in _insides(marks, odds, lost, outlines, rng):
            seen.append(one)
            label.append(own)
    return np.array(seen, np.float32).reshape(-1, FEATURES), np.array(label, np.int8)


def _places(board: pages.Board, shape: tuple[int, ...]) -> U8:
    """Return the insides of the page's balloons, numbered, (H, W)."""
    out = np.zeros(board.kind.shape, np.uint8)
    for number, ((rows, columns), own) in enumerate(board.outlines):
        near = cv2.dilate(own.astype(np.uint8), np.ones((3, 3), np.uint8))
        mask = np.zeros(own.shape, np.uint8)
        contours, _ = cv2.findContours(near, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        cv2.drawContours(mask, contours, -1, 1, -1)
        x, y, wide, high = cv2.boundingRect(near)
        if mask.sum() < 0.4 * wide * high:  # the other sides are a panel's border
            mask[y : y + high, x : x + wide] = 1
        out[rows, columns][mask[: rows.stop - rows.start, : columns.stop - columns.start] > 0] = (
            number + 1
        )
    return np.asarray(cv2.resize(out, shape[::-1], interpolation=cv2.INTER_NEAREST), np.uint8)


def _insides(
    marks: Marks, odds: Any, lost: float, outlines: U8, rng: np.random.Generator
) -> list[tuple[Any, bool]]:
    odds = np.where(rng.random(len(odds)) < lost, np.minimum(odds, -1.0), odds).astype(np.float32)
    letter = find.letters_of(marks, odds)
    rows = np.flatnonzero(letter)
    if not len(rows):
        return []
    away = away_of(marks.ink, marks.label, letter)
    most = LARGEST * marks.ink.size
    inked = Inked(marks.label, marks.box, odds, away, most, marks.px_per_mm)
    sizes = np.bincount(outlines.ravel())
    out, taken = [], np.zeros(len(letter), bool)
    for leak in LEAKS_MM:
        for one in insides(inked, rows[~taken[rows]], leak):
            held = np.bincount(outlines[one.place][one.filled], minlength=len(sizes))
            held[0] = 0
            best = int(held.argmax())
            whole = float(one.filled.sum()) + float(sizes[best]) - float(held[best])
            own = bool(held[best] > SAME * whole)
            if own:
                taken[one.held] = True
            out.append((one.seen, own))
    return out


def collect(art_file: str, fonts: str, out: str, seed: str, many: str) -> None:
    """Draw pages and keep what their insides are like."""
    art = Art(Path(art_file))
    setters = setters_of(Path(fonts))
    found = [page(int(seed) + k, setters, art) for k in range(int(many))]
    np.savez(
        out, seen=np.concatenate([f[0] for f in found]), own=np.concatenate([f[1] for f in found])
    )


def fit(out: str, choose: str, paths: list[str]) -> None:
    """Fit the judge."""
    torch.manual_seed(0)
    data = [np.load(path) for path in paths]
    seen, own = np.concatenate([d["seen"] for d in data]), np.concatenate([d["own"] for d in data])
    held = np.load(choose)
    mean, spread = seen.mean(0), seen.std(0) + 1e-2
    net = nn.Sequential(nn.Linear(FEATURES, HIDDEN), nn.ReLU(), nn.Linear(HIDDEN, 1))
    given = torch.from_numpy((seen - mean) / spread)
    label = torch.from_numpy(own.astype(np.float32))
    # the two kinds weigh alike, an inside that is none a little more: art taken is the worse
    weight = torch.from_numpy(np.where(own == 1, 0.5 / own.mean(), 0.65 / (1 - own.mean())))
    optimiser = torch.optim.AdamW(net.parameters(), 5e-3, weight_decay=0.1)
    schedule = torch.optim.lr_scheduler.CosineAnnealingLR(optimiser, STEPS)
    lost = nn.BCEWithLogitsLoss(reduction="none")
    for _ in range(STEPS):
        jitter = given + JITTER * torch.randn_like(given)
        loss = (lost(net(jitter)[:, 0], label) * weight).mean()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        schedule.step()
    for name, x, y in (("fitted on", seen, own), ("kept", held["seen"], held["own"])):
        with torch.no_grad():
            odds = net(torch.from_numpy((x - mean) / spread))[:, 0].numpy()
        print(
            name,
            len(y),
            f"found {(odds[y == 1] > 0).mean():.4f} taken {(odds[y == 0] > 0).mean():.4f}",
        )
    w1, b1 = net[0].weight.detach().numpy() / spread, net[0].bias.detach().numpy()
    w2, b2 = net[2].weight.detach().numpy(), net[2].bias.detach().numpy()
    parts = [w1.T, b1 - w1 @ mean, w2[0], b2]
    np.concatenate([part.ravel() for part in parts]).astype("<f4").tofile(out)


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
