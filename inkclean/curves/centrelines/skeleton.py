"""The skeleton of thin ink as a graph: chains of pixels between ends and junctions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool, offsets_of
from inkclean.curves.outlines.linking import link_loops
from inkclean.curves.plane import turn

# Share of its junction's disc that a twig reaches out by: less, and the disc redraws it
_SPUR = 0.35
_SPUR_PX = 1.2  # px that a twig reaches out by at least: pixels make bumps of a px
_TAIL = 0.75  # least width of a tail's tip, widths of the strokes it leaves: a bump is narrower
_TAIL_AREA = 0.3  # least ink of a tail that the strokes leave bare, squares of their width
_NEAR_PX = 0.1  # px beyond a stroke from which on ink is bare: pixels that its edge crosses are not
_AHEAD = 4.0  # half widths from a joint over which a stroke's way is taken
# Two ways nearer than this to each other are one stroke that turns sharply
_SHARP = np.deg2rad(75.0)
_ROUNDS = 3  # rounds of pruning: twigs grow on twigs


@dataclass(frozen=True)
class Graph:
    """Chains of skeleton pixels. ``points`` (P, 2) px, pixel centres, both ends included;
    ``ends`` (C + 1,) offsets; ``closed`` (C,); ``node`` (C, 2) the number of the end or junction
    at either end, -1 for closed chains; ``degree`` (K,) chains that meet in each node.
    """

    points: F64
    ends: I64
    closed: Bool
    node: I64
    degree: I64


def chain_edges(first: I64, second: I64, count: int) -> tuple[I64, I64, Bool]:
    """Order the edges ``first``–``second`` (E,) between ``count`` vertices into chains that stop
    where other than two edges meet.

    Returns:
        half-edges in order (edge k is 2k from first to second, 2k + 1 back), offsets (C + 1,),
        and which chains are closed rings.
    """
    edges = first.size
    source = np.empty(2 * edges, np.int64)
    source[0::2], source[1::2] = first, second
    target = np.empty(2 * edges, np.int64)
    target[0::2], target[1::2] = second, first
    degree = np.bincount(source, minlength=count)
    half = np.arange(2 * edges)
    total = np.bincount(source, half.astype(np.float64), count).astype(np.int64)
    back = half ^ 1
    successor = np.where(degree[target] == 2, total[target] - back, back)
    order, loops = link_loops(successor.astype(np.int32))
    lengths = np.diff(loops)
    own = np.repeat(np.arange(lengths.size), lengths)
    starts = np.flatnonzero(degree[source[order]] != 2)
    first_start = np.full(lengths.size, -1)
    first_start[own[starts][::-1]] = starts[::-1]
    ring = first_start < 0
    least = np.minimum.reduceat(order, loops[:-1]) if edges else np.zeros(0, np.int64)
    # A ring is walked both ways round: one of them is enough.
    keep = ~ring | (least % 2 == 0)
    begin = np.where(ring, loops[:-1], first_start)[keep]
    taken = np.where(ring, lengths, lengths // 2)[keep]
    offsets = offsets_of(taken)
    chain = np.repeat(np.arange(taken.size), taken)
    within = np.arange(chain.size) - offsets[chain]
    low, size = loops[:-1][keep][chain], lengths[keep][chain]
    place = low + (begin[chain] - low + within) % size
    return order[place], offsets, ring[keep]


def skeleton_graph(skeleton: Bool, radius: F32) -> Graph:
    """Return the graph of ``skeleton`` (H, W), spurs pruned by what they redraw.

    ``radius`` (H, W) px is the distance to the paper, 0 in what is no line. Pruning by
    reconstruction: Bai, Latecki and Liu, IEEE TPAMI 29(3), 2007, doi:10.1109/TPAMI.2007.59: a
    branch goes when the discs of the rest cover what it covers.
    """
    height, width = skeleton.shape
    padded = np.zeros((height + 2, width + 2), np.bool_)
    padded[1:-1, 1:-1] = skeleton
    pixel, first, second = _adjacent(padded)
    where = np.stack((pixel % (width + 2) - 0.5, pixel // (width + 2) - 0.5), axis=1)
    reach = radius.reshape(-1)[(pixel // (width + 2) - 1) * width + pixel % (width + 2) - 1]
    half, offsets, ring = chain_edges(first, second, pixel.size)
    source = np.where(half % 2 == 0, first[half // 2], second[half // 2])
    target = np.where(half % 2 == 0, second[half // 2], first[half // 2])
    if half.size == 0:
        none = np.zeros(0, np.int64)
        return Graph(np.zeros((0, 2)), np.zeros(1, np.int64), ring, none.reshape(0, 2), none)
    node = np.stack((source[offsets[:-1]], target[offsets[1:] - 1]), axis=1)
    steps = np.hypot(*(where[target] - where[source]).T)
    length = np.add.reduceat(steps, offsets[:-1])
    node = _contract(node, length, reach, ring, pixel.size)
    keep = _prune(node, length, reach, ring, pixel.size)
    tails = _tails(node, keep, ring, pixel, source, offsets, radius)
    keep[tails] = True
    return _assemble(where, source, target, offsets, node, ring, keep)


def _adjacent(padded: Bool) -> tuple[I64, I64, I64]:
    """Skeleton pixels and the pairs of them (as numbers) that touch; a diagonal counts only
    where no pixel beside it makes the same way.
    """
    width = padded.shape[1]
    flat = padded.reshape(-1)
    pixel = np.flatnonzero(flat)
    number = np.full(flat.size, -1, np.int32)
    number[pixel] = np.arange(pixel.size, dtype=np.int32)
    pairs = []
    for step, beside in ((1, ()), (width, ()), (width + 1, (1, width)), (width - 1, (-1, width))):
        there = flat[pixel + step]
        for way in beside:
            there &= ~flat[pixel + way]
        at = pixel[there]
        pairs.append((number[at], number[at + step]))
    first, second = (np.concatenate(part).astype(np.int64) for part in zip(*pairs, strict=True))
    return pixel, first, second


def _contract(node: I64, length: F64, reach: F32, ring: Bool, count: int) -> I64:
    """Give nodes one number where a chain between two junctions lies within their discs: one
    crossing, not two.
    """
    degree = np.bincount(node[~ring].reshape(-1), minlength=count)
    inner = (degree[node] >= 3).all(1) & ~ring
    short = inner & (length <= reach[node].max(1) + 1.0)
    label = np.arange(count)
    a, b = node[short].T
    while True:
        low = np.minimum(label[a], label[b])
        before = label.copy()
        np.minimum.at(label, a, low)
        np.minimum.at(label, b, low)
        label = label[label]
        if np.array_equal(before, label):
            break
    joined: I64 = label[node]
    return joined


def _prune(node: I64, length: F64, reach: F32, ring: Bool, count: int) -> Bool:
    """Which chains stay."""
    keep: Bool = ring | (node[:, 0] != node[:, 1]) | (length > 2.0 * reach[node].max(1) + 2.0)
    for _ in range(_ROUNDS):
        degree = np.bincount(node[keep & ~ring].reshape(-1), minlength=count)
        ends = degree[node]
        tip = np.where(ends[:, 0] == 1, 0, 1)
        row = np.arange(node.shape[0])
        disc = reach[node[row, 1 - tip]]
        sticks_out = length + reach[node[row, tip]] - disc
        twig = keep & ~ring & (ends.min(1) == 1) & (ends.max(1) >= 3)
        gone = twig & (sticks_out < np.maximum(_SPUR * disc, _SPUR_PX))
        if not gone.any():
            break
        keep &= ~gone
    return keep


def _tails(
    node: I64, keep: Bool, ring: Bool, pixel: I64, source: I64, offsets: I64, radius: F32
) -> I64:
    """Pruned twigs without which ink stays bare: the strokes that go on past their joint, drawn
    at their own breadth, are narrower than the joint's disc. The tip of a sharp turn is no tail.

    ``pixel`` (P,) numbers in the padded picture, ``source`` (S,) pixels of the chains' steps.
    """
    strokes = np.flatnonzero(keep & ~ring)
    kept = np.bincount(node[strokes].reshape(-1), minlength=pixel.size)
    free = np.bincount(node[~ring].reshape(-1), minlength=pixel.size)[node] == 1
    twig = np.flatnonzero(~keep & (free.sum(axis=1) == 1) & (kept[node].max(axis=1) >= 2))
    side = free[twig].argmax(axis=1)
    tip, joint = node[twig, side], node[twig, 1 - side]
    width = radius.shape[1] + 2
    at = np.stack((pixel % width - 1, pixel // width - 1), axis=1)
    reach = radius[at[:, 1], at[:, 0]].astype(np.float64)
    # How broad the strokes at each joint are, taken along all of their way.
    size = np.diff(offsets)
    total = np.add.reduceat(reach[source], offsets[:-1])
    ends = np.stack((2 * strokes, 2 * strokes + 1), axis=1).reshape(-1)
    meet = node.reshape(-1)[ends]
    sums, steps = (np.bincount(meet, n[ends // 2], pixel.size) for n in (total, size))
    half = sums[joint] / np.maximum(steps[joint], 1.0)
    ends = ends[np.argsort(meet, kind="stable")]
    two = ends[np.searchsorted(node.reshape(-1)[ends], joint)[:, None] + np.arange(2)]
    ahead = np.minimum(np.ceil(_AHEAD * half)[:, None].astype(np.int64), size[two // 2] - 1)
    nth = np.where(two % 2 == 1, size[two // 2] - 1 - ahead, ahead)
    ways = (at[source[offsets[two // 2] + nth]] - at[joint][:, None]).astype(np.float64)
    turned = np.abs(turn(ways[:, 1], ways[:, 0])) < _SHARP
    likely = (reach[tip] >= _TAIL * half) & ~(turned & (kept[joint] == 2))
    twig, tip, half = twig[likely], at[tip[likely]], half[likely]
    if twig.size == 0:
        return np.zeros(0, np.int64)
    drawn = at[source[np.repeat(keep, size)]]
    left = _bare(tip, half, drawn, radius) > _TAIL_AREA
    return np.asarray(twig[left], np.int64)


def _bare(tip: I64, half: F64, drawn: I64, radius: F32) -> F64:
    """Ink about each ``tip`` (K, 2) that strokes ``half`` (K,) px broad to either side, through
    the pixels ``drawn`` (P, 2), leave bare, in squares of their width.
    """
    from scipy.spatial import cKDTree

    far = np.arange(-int(half.max()) - 3, int(half.max()) + 4)
    rows = tip[:, 1, None, None] + far[:, None]
    columns = tip[:, 0, None, None] + far
    inside = (rows >= 0) & (rows < radius.shape[0]) & (columns >= 0) & (columns < radius.shape[1])
    inside &= np.hypot(far[:, None], far) <= (half + 2.5)[:, None, None]
    rows = np.clip(rows, 0, radius.shape[0] - 1)
    columns = np.clip(columns, 0, radius.shape[1] - 1)
    inside &= radius[rows, columns] > 0
    which, row, column = np.nonzero(inside)
    place = np.stack((columns[which, 0, column], rows[which, row, 0]), axis=1)
    tree = cKDTree(drawn)
    away, _ = tree.query(place, distance_upper_bound=float(half.max()) + 1.0)
    inside[which, row, column] = away > half[which] + _NEAR_PX
    return np.asarray(inside.sum(axis=(1, 2)) / (2.0 * half - 1.0) ** 2, np.float64)


def _assemble(
    where: F64, source: I64, target: I64, offsets: I64, node: I64, ring: Bool, keep: Bool
) -> Graph:
    """Put the chains that stay end to end where only two of them meet."""
    rings = np.flatnonzero(keep & ring)
    open_ = np.flatnonzero(keep & ~ring)
    half, runs, closed = chain_edges(node[open_, 0], node[open_, 1], where.shape[0])
    chain = open_[half // 2] if half.size else half
    backward = half % 2 == 1
    chain = np.concatenate((chain, rings))
    backward = np.concatenate((backward, np.zeros(rings.size, np.bool_)))
    runs = np.concatenate((runs, runs[-1] + 1 + np.arange(rings.size)))
    closed = np.concatenate((closed, np.ones(rings.size, np.bool_)))
    lengths = (offsets[1:] - offsets[:-1])[chain]
    total = offsets_of(lengths)
    own = np.repeat(np.arange(chain.size), lengths)
    within = np.arange(own.size) - total[own]
    last = offsets[1:][chain][own] - 1
    place = np.where(backward[own], last - within, offsets[:-1][chain][own] + within)
    members = np.where(backward[own], target[place], source[place])
    ends = total[runs]
    # Open runs end with the point their last edge leads to.
    final = place[ends[1:] - 1]
    tails = np.where(backward[own[ends[1:] - 1]], source[final], target[final])
    insert = ends[1:][~closed]
    members = np.insert(members, insert, tails[~closed])
    ends = ends + offsets_of(~closed)
    nodes = np.full((closed.size, 2), -1)
    begin, finish = runs[:-1], runs[1:] - 1
    nodes[:, 0] = np.where(backward[begin], node[chain[begin], 1], node[chain[begin], 0])
    nodes[:, 1] = np.where(backward[finish], node[chain[finish], 0], node[chain[finish], 1])
    nodes[closed] = -1
    used, number = np.unique(nodes, return_inverse=True)
    shift = int(used.size > 0 and used[0] == -1)
    number = number.reshape(nodes.shape) - shift
    degree = np.bincount(number[number >= 0], minlength=used.size - shift)
    return Graph(where[members], ends, closed, number, degree)
