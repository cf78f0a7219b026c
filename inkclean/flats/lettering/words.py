"""Words without a balloon around them: which groups of free letters are lettering.

Letters that stand together, alike in size and pen, are judged as a group: how sure each is, how
evenly they are high and broad, whether they stand on lines with even gaps, and how much other ink
runs between them. A small network of two layers weighs it.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.flats.lettering.enclosed import layer_of
from inkclean.flats.lettering.marks import Marks

BESIDE = 1.3  # marks nearer than this, in heights of the larger, stand in one group,
NEAR = 2.6  # in those of the smaller,
LINES = 0.9  # and one above the other no farther than lines of text,
SIZES = 3.2  # if the one is so many times as high as the other at most,
PENS = 2.0  # and its strokes so many times as broad
NEAREST = 14  # marks beside one that are looked at
ROW = 0.35  # share of the lower mark by which two of a row overlap
AROUND = 0.5  # room around letters where other ink is looked for, in their height
ROOMY_MM = 4.0  # and the most of it
SUREST = 8.0  # log-odds of a letter are held within this
SURE = 0.0  # log-odds from which a group is of words,
LEAST_SUM = 5.0  # if its letters have so many together,
SOLID = 0.4  # one or two whose strokes are broader than this, in their height, are spot blacks;
PLAIN_SUM = 12.0  # so is one whose letters have more
PLAIN_MEAN = 3.0  # and on the average,
PLAIN_COUNT = 3  # if they are so many
BARE = 0.7  # and little else stands among them: ink, marks (a quarter each) and their share
MATE_ODDS = -4.0  # marks at least so likely are letters if they stand in a row with those of words,
MATE_GAP = 0.6  # so near in heights,
MATE_PEN = 1.5  # with strokes as broad but for this factor
MATE_LOW, MATE_HIGH = 0.35, 2.2  # and so high beside their neighbour's


def words_among(marks: Marks, odds: F32, free: Bool) -> Bool:
    """Return which of the marks that are ``free`` (N,), letters in no balloon, are of words.

    ``odds`` (N,) are the log-odds that each is a letter; small marks beside letters have none.
    """
    out = np.zeros(len(free), bool)
    rows = np.flatnonzero(free)
    if not len(rows):
        return out
    group, seen = seen_groups(marks, odds, rows)
    own = (word_odds(seen) > SURE) & (np.expm1(seen[:, 3]) >= LEAST_SUM)
    own &= (seen[:, 0] > np.log(2.5)) | (seen[:, 9] < np.log(SOLID))
    out[rows] = (own | _plain(seen))[group]
    return out


def row_mates(marks: Marks, odds: F32, words: Bool, free: Bool) -> Bool:
    """Return which marks that are ``free`` (N,) stand in a row with letters of ``words`` (N,)."""
    out = np.zeros(len(words), bool)
    rows = np.flatnonzero(words & (odds > 0))
    new = np.flatnonzero(free & ~words & (odds > MATE_ODDS))
    if not len(rows) or not len(new):
        return out
    count = min(4, len(rows))
    near = cKDTree(marks.centre[rows]).query(marks.centre[new], k=np.arange(1, count + 1))[1]
    a, b = np.repeat(new, count), rows[near.ravel()]
    one, other = marks.box[a].astype(np.float64), marks.box[b].astype(np.float64)
    foot, top = one[:, 1] + one[:, 3], one[:, 1]
    over = np.minimum(foot, other[:, 1] + other[:, 3]) - np.maximum(top, other[:, 1])
    high = one[:, 3] / other[:, 3]
    good = over > ROW * np.minimum(one[:, 3], other[:, 3])
    good &= (high > MATE_LOW) & (high < MATE_HIGH) & (one[:, 2] < MATE_HIGH * other[:, 3])
    good &= _between(one, other) < MATE_GAP * np.maximum(one[:, 3], other[:, 3])
    good &= np.abs(np.log(marks.stroke[a] / marks.stroke[b])) < np.log(MATE_PEN)
    out[a[good]] = True
    return out


def _plain(seen: F32) -> Bool:
    """Return which groups (G, FEATURES) are sure letters on bare paper, whatever their rows."""
    count, mean, total = np.exp(seen[:, 0]), seen[:, 1], np.expm1(seen[:, 3])
    others = np.expm1(seen[:, 14]) + np.expm1(seen[:, 15]) / 4 + seen[:, 16]
    sure = (total >= PLAIN_SUM) & (mean >= PLAIN_MEAN) & (count > PLAIN_COUNT - 0.5)
    return np.asarray(sure & (others <= BARE))


def word_odds(seen: F32) -> F32:
    """Return the log-odds that groups, as they are seen (G, FEATURES), are of words."""
    w1, b1, w2, b2 = layer_of("words.f32")
    return np.asarray(np.maximum(seen @ w1 + b1, 0) @ w2 + b2[0], np.float32)


def seen_groups(marks: Marks, odds: F32, rows: I64) -> tuple[I64, F32]:
    """Return the number of the group that each of ``rows`` stands in, and what groups are like.

    The second is (G, FEATURES).
    """
    sure = odds[rows] > 0
    group = _groups(marks.box[rows].astype(np.float64), marks.stroke[rows], sure)
    count = int(group.max()) + 1
    order = np.argsort(group, kind="stable")
    parts = np.split(order, np.cumsum(np.bincount(group, minlength=count))[:-1])
    return group, np.stack([_seen(marks, odds, rows[part]) for part in parts])


def _groups(box: F64, stroke: F64, sure: Bool) -> I64:
    """Return for each box (N, 4) x, y, width, height the number of the group it stands in.

    What is not ``sure`` goes with the nearest that is.
    """
    centre = box[:, :2] + box[:, 2:] / 2
    high = np.maximum(box[:, 3], 0.5 * box[:, 2])
    count = min(NEAREST, len(box))
    near = cKDTree(centre).query(centre, k=np.arange(1, count + 1))[1]
    a, b = np.repeat(np.arange(len(box)), count), near.ravel()
    away = _between(box[a], box[b])
    low, top = np.minimum(high[a], high[b]), np.maximum(high[a], high[b])
    pen = np.abs(np.log(stroke[a] / stroke[b]))
    beside = (away < BESIDE * top) & (away < NEAR * low) & (top < SIZES * low)
    beside &= _below(box[a], box[b]) < LINES * top
    beside &= (pen < np.log(PENS)) & sure[a] & sure[b]
    small = ~sure[a] & sure[b] & (away < BESIDE * high[b])
    first = np.full(len(box), -1)
    at = np.flatnonzero(small)[::-1]
    first[a[at]] = b[at]  # the nearest comes first in its row, so it is written last
    one = np.flatnonzero(first >= 0)
    pairs = np.concatenate([a[beside], one]), np.concatenate([b[beside], first[one]])
    graph = coo_matrix((np.ones(len(pairs[0])), pairs), shape=(len(box), len(box)))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)


def _between(one: F64, other: F64) -> F64:
    """Return how far boxes (N, 4) are apart."""
    gap = np.maximum(one[:, :2], other[:, :2])
    gap = gap - np.minimum(one[:, :2] + one[:, 2:], other[:, :2] + other[:, 2:])
    return np.asarray(np.hypot(*np.maximum(gap, 0).T))


def _below(one: F64, other: F64) -> F64:
    """Return how far boxes (N, 4) are apart from top to bottom."""
    foot = np.minimum(one[:, 1] + one[:, 3], other[:, 1] + other[:, 3])
    return np.asarray(np.maximum(one[:, 1], other[:, 1]) - foot)


def _seen(marks: Marks, odds: F32, rows: I64) -> F32:
    """Return what a group is like, (FEATURES,)."""
    scale = marks.px_per_mm
    own = rows[odds[rows] > 0]
    own = own if len(own) else rows
    box = marks.box[own].astype(np.float64)
    held = np.clip(odds[own], -SUREST, SUREST)
    held = np.where(np.isfinite(held), held, -SUREST)
    reach = np.maximum(box[:, 3], 0.5 * box[:, 2])
    weight = np.sqrt(marks.size[own])
    weight = weight / weight.sum()
    usual = float(np.exp(weight @ np.log(reach)))
    pen = float(np.exp(weight @ np.log(marks.stroke[own])))
    low, high = box[:, :2].min(axis=0), (box[:, :2] + box[:, 2:]).max(axis=0)
    other, others, unlike = _clutter(marks, odds, rows, usual)
    return np.array(
        [
            np.log(len(own)),
            held.mean(),
            weight @ held,
            np.log1p(np.maximum(held, 0).sum()),
            np.quantile(held, 0.25),
            weight @ np.abs(np.log(reach / usual)),
            weight @ np.abs(np.log(marks.stroke[own] / pen)),
            np.log(usual / scale),
            np.log(pen / scale),
            np.log(pen / usual),
            *_in_rows(box, weight),
            np.log1p(other),
            np.log1p(others),
            unlike,
            np.log1p(len(rows) / len(own) - 1),
            np.log((high - low)[0] / usual + 0.1),
            np.log((high - low)[1] / usual + 0.1),
        ],
        np.float32,
    )


def _in_rows(box: F64, weight: F64) -> tuple[float, float, float, float]:
    """Return how boxes (N, 4) stand on lines: share with a neighbour, feet or heads off, gaps.

    ``weight`` (N,) is what each counts. Lengths are in heights of the larger of two.
    """
    left, right = box[:, 0], box[:, 0] + box[:, 2]
    top, foot = box[:, 1], box[:, 1] + box[:, 3]
    over = np.minimum(foot[:, None], foot) - np.maximum(top[:, None], top)
    level = over > ROW * np.minimum(box[:, 3][:, None], box[:, 3])
    middle = (left + right) / 2
    after = np.where(level & (middle > middle[:, None]), middle, np.inf)
    following = after.argmin(axis=1)
    has = np.isfinite(after[np.arange(len(box)), following])
    if not has.any():
        return 0.0, 1.0, 1.0, 1.0
    a, b = np.flatnonzero(has), following[has]
    high = np.maximum(box[a, 3], box[b, 3])
    feet, heads = np.abs(foot[a] - foot[b]) / high, np.abs(top[a] - top[b]) / high
    gap = np.clip((left[b] - right[a]) / high, -1, 3)
    linked = np.zeros(len(box), bool)
    linked[a] = linked[b] = True
    off = float(np.minimum(feet, heads).mean())
    return float(weight @ linked), off, float(gap.mean()), float(gap.std())


def _clutter(marks: Marks, odds: F32, rows: I64, usual: float) -> tuple[float, float, float]:
    """Return what else stands among a group.

    The ink of others around the letters, beside theirs; how many other marks that is, a letter;
    and the share of the shaped marks in its frame that are no letters, by their ink's root.
    """
    room = min(AROUND * usual, ROOMY_MM * marks.px_per_mm)
    pad = int(room) + 2
    box = marks.box[rows]
    low = np.maximum(box[:, :2].min(axis=0) - pad, 0)
    high = (box[:, :2] + box[:, 2:]).max(axis=0) + pad
    label = marks.label[low[1] : high[1], low[0] : high[0]]
    numbers = np.unique(label)
    mine = np.isin(numbers, rows + 1)
    own = mine[np.searchsorted(numbers, label)]
    away = cv2.distanceTransform((~own).view(np.uint8), cv2.DIST_L2, 3)
    beside = (label > 0) & ~own & (away <= room)
    ink = max(float(own.sum()), 1.0)
    near = np.unique(label[beside]) - 1
    letters = max(int((odds[rows] > 0).sum()), 1)
    there = numbers[(numbers > 0) & ~mine] - 1
    there = there[np.isfinite(odds[there])]
    within = (marks.box[there, :2] >= low) & (marks.box[there, :2] + marks.box[there, 2:] <= high)
    size = np.sqrt(marks.size[there[within.all(axis=1)]]).sum()
    return (
        float(beside.sum()) / ink,
        float(np.isfinite(odds[near]).sum()) / letters,
        float(size / (size + np.sqrt(marks.size[rows]).sum())),
    )
