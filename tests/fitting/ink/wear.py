"""From the maps of drawn pages to what the package would see of them, worn afresh, on the GPU.

Ink lies where the paper's relief reaches higher than the stroke is dry, thinly elsewhere; light
falls by the Beer–Lambert law through ink, the page behind, pencil and stains; then lens, sensor,
sharpening and JPEG, and the flattening with its small errors. Truth is the whole stroke, at its
own width, where a thin one has some ink left along it, and the texture itself of a broad brush.
Along its middle a dry stroke is weighed heavily, so that it is whole; at its rim ink and paper
are weighed alike, so that it is no wider than it was drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
import torch.nn.functional as fn
from torch import Tensor

from tests.fitting.ink import aged, lone, papers
from tests.fitting.ink.papers import blurred, chance, field, rank, slow, softened, spread, uniform
from tests.fitting.ink.squeezed import losses

LEFT, NOTHING = 0.07, 0.035  # shares of ink along a thin stroke: all of it, nothing
AROUND_MM = 0.35
FAINT = (0.02, 0.06)  # density of a soft mark that may be there, and is
THIN, THIN_GAIN = 0.85, 2.5  # of hairs: the coverage along their middle, and how far it is raised
# What a dry stroke counts on top along its middle, its rim and the paper beside it so many px
# around, and where ink is pale.
DRY_SAY, RIM_SAY, BESIDE_PX, PALE_DRY_SAY = 10.0, 1.5, 2, 2.2
RIDGE = 0.9  # what is so dark beside the darkest around it, smoothed a little, is a stroke's middle
# Shares of pieces on which the pen ran dry all over, and of those in pale ink; density of that.
DRIED, DRIED_PALE, PALE = 0.25, 0.7, (0.18, 0.9)
EDGE = 8  # px at a piece's border that have no say: blur runs over them from the other side


@dataclass(frozen=True)
class Pieces:
    """Crops (N, H, W) of the maps on the fine grid, its scale (N,) px/mm, 1 for an old page."""

    cover: Tensor
    density: Tensor
    dry: Tensor
    broad: Tensor
    behind: Tensor
    pencil: Tensor
    per_mm: Tensor
    old: Tensor


@dataclass(frozen=True)
class Seen:
    """What the network is given and should find, at half the fine grid.

    ``dark`` (N, h, w) 0 paper to 1 black; ``level`` (N,) the ink's darkness, 0 not told;
    ``truth`` coverage, ``vote`` how much a pixel counts; ``soft`` (N, h / 2, w / 2) where pencil,
    squares or the page behind lie and no ink, under 0 where nobody can say; ``middle`` (N, h, w)
    1 along the middle of dry strokes; ``before`` (N, h, w) what a network said that should not
    be worse now, 0 where there is none; ``alone`` (N, h, w) 1 on small marks.
    """

    dark: Tensor
    level: Tensor
    truth: Tensor
    vote: Tensor
    soft: Tensor
    middle: Tensor
    before: Tensor
    alone: Tensor


def encoded(light: Tensor) -> Tensor:
    """Return linear light in sRGB steps."""
    light = light.clamp(0, 4)
    return torch.where(
        light <= 0.0031308, 12.92 * light, 1.055 * light.clamp_min(1e-6) ** (1 / 2.4) - 0.055
    )


def linear(steps: Tensor) -> Tensor:
    """Return sRGB steps in linear light."""
    steps = steps.clamp(0, 1.5)
    return torch.where(steps <= 0.04045, steps / 12.92, ((steps + 0.055) / 1.055) ** 2.4)


def _column(values: Tensor) -> Tensor:
    return values[:, None, None]


def worn(pieces: Pieces) -> Seen:
    """Return pieces as they are seen, and their truth."""
    with torch.no_grad():
        return _worn(pieces)


def _worn(pieces: Pieces) -> Seen:
    shape = tuple(pieces.cover.shape)
    n, device = shape[0], pieces.cover.device
    per_mm = pieces.per_mm
    old = pieces.old
    page = _ink_of_page(old)
    pieces, page = _dried(pieces, page)
    added, code = lone.marks(pieces.cover, per_mm)
    bare = added < 0.01
    pieces = replace(
        pieces,
        cover=torch.maximum(pieces.cover, added),
        density=torch.where(bare, pieces.density, code),
        dry=pieces.dry * bare,
        broad=pieces.broad * bare,
    )
    relief = _tooth(shape, per_mm)
    cover = _bled(pieces.cover, per_mm)
    left = _left(pieces.dry, relief)
    truth, vote = _truth(cover, left, pieces.broad, per_mm)
    broad = fn.max_pool2d(pieces.broad[:, None], 7, 1, 3)[:, 0]
    dry = (pieces.dry > 0.25) & (broad < 0.5) & (truth > 0.3)
    dry = fn.max_pool2d((dry.float() * (0.5 + pieces.dry))[:, None], 2)[:, 0]
    density = _laid(cover, left, pieces.density, per_mm, old) * _column(page)
    floor = _column(uniform(n, 0.005, 0.06, device) + old * uniform(n, 0, 0.06, device))
    light = 1 - cover + cover * (floor + (1 - floor) * torch.exp(-density))

    lens = spread(n, 0.35, 1.7, device) * 2  # px of the fine grid
    lens = lens * (1 + chance(n, 0.25, device) * uniform(n, 0.2, 1.5, device))
    marks, faint = _beside(pieces, relief, page, lens)
    light = light * torch.exp(-marks)
    rough = spread(n, 0.1, 1.8, device) * (0.2 + 0.8 * page.clamp_max(1)) * (1 + 0.5 * old)
    light = light * papers.grain(shape, relief, per_mm, rough)
    light = fn.avg_pool2d(blurred(light, lens)[:, None], 2)[:, 0]
    shade = fn.avg_pool2d(marks[:, None], 8)
    shade = fn.interpolate(shade, light.shape[1:], mode="bilinear")[:, 0]
    seen = _taken(light, page, shade, old)
    dark = (1 - encoded(seen)).clamp(0, 1)

    truth = fn.avg_pool2d(truth[:, None], 2)[:, 0]
    ridge = _ridge(truth)
    truth = torch.where(ridge, _kept_thin(truth), truth)
    middle = (ridge & (dry > 0) & (truth > 0.3)).float()
    near = fn.max_pool2d(dry[:, None], 2 * BESIDE_PX + 1, 1, BESIDE_PX)[:, 0]
    hard = _column(1 + PALE_DRY_SAY * (page < 0.9).float())
    vote = (fn.max_pool2d(-vote[:, None], 2)[:, 0] < 0).float()
    vote = vote * (1 + hard * (RIM_SAY * near + (DRY_SAY - RIM_SAY) * dry * middle))
    wide = fn.max_pool2d(broad[:, None], 2)[:, 0] > 0.5
    alone = lone.small(truth, wide) | (fn.avg_pool2d(added[:, None], 2)[:, 0] > 0.2)
    full = 1 - encoded(0.03 + 0.97 * torch.exp(-page))
    vote = vote * lone.say(truth, alone) * lone.to_be_seen(dark, truth, alone, full, per_mm / 2)
    vote[:, :EDGE] = vote[:, -EDGE:] = vote[:, :, :EDGE] = vote[:, :, -EDGE:] = 0
    before = torch.zeros_like(dark)
    level, soft = _level(dark, truth, page), _soft(faint, truth)
    return Seen(dark, level, truth, vote, soft, middle, before, alone.float() * (vote > 0))


def _kept_thin(truth: Tensor) -> Tensor:
    """Return ``truth`` where strokes thinner than a pixel count as ink along their middle."""
    most = fn.max_pool2d(truth[:, None], 3, 1, 1)[:, 0]
    return (truth * (THIN / most.clamp_min(1e-3)).clamp(1, THIN_GAIN)).clamp_max(1)


def _ridge(truth: Tensor) -> Tensor:
    """Return (N, h, w) where strokes have their middle; broad ones all but their rim."""
    line = torch.tensor([1.0, 4.0, 6.0, 4.0, 1.0], device=truth.device) / 16
    smooth = fn.conv2d(truth[:, None], line[:, None][None, None], padding=(2, 0))
    smooth = fn.conv2d(smooth, line[None][None, None], padding=(0, 2))
    most = fn.max_pool2d(smooth, 3, 1, 1)
    return ((smooth > RIDGE * most) & (truth[:, None] > 0.05))[:, 0]


def _dried(pieces: Pieces, page: Tensor) -> tuple[Pieces, Tensor]:
    """Return pieces, on some of which the pen ran dry all over, and how dense their ink is."""
    shape, n, device = tuple(pieces.cover.shape), len(page), page.device
    some = chance(n, DRIED, device)
    wave = 0.15 * slow(shape, spread(n, 4, 25, device) * pieces.per_mm)
    dry = (_column(uniform(n, 0.2, 0.93, device)) + wave).clamp(0, 0.96)
    dry = torch.maximum(pieces.dry, dry * (pieces.broad < 0.5))
    pale = some * chance(n, DRIED_PALE, device)
    page = torch.where(pale > 0, spread(n, *PALE, device), page)
    return replace(pieces, dry=torch.where(_column(some) > 0, dry, pieces.dry)), page


def _ink_of_page(old: Tensor) -> Tensor:
    """Return how dense each page's ink is: black ink now and then diluted, old ink faded."""
    n, device = len(old), old.device
    new = torch.where(
        chance(n, 0.28, device) > 0, spread(n, 0.15, 0.9, device), spread(n, 0.8, 7, device)
    )
    faded = torch.where(
        chance(n, 0.28, device) > 0, spread(n, 0.15, 0.7, device), spread(n, 0.6, 5.0, device)
    )
    return torch.where(old > 0, faded, new)


def _tooth(shape: tuple[int, ...], per_mm: Tensor) -> Tensor:
    """Return the paper's relief as even ranks: fine grain and coarser tooth together."""
    n, device = shape[0], per_mm.device
    size = (shape[0], shape[1], shape[2])
    share = _column(torch.rand(n, device=device) ** 0.5)
    fine = field(size, spread(n, 0.04, 0.15, device) * per_mm, 0.7)
    coarse = field(size, spread(n, 0.1, 0.45, device) * per_mm, 0.7)
    both = share * fine + (1 - share) * coarse
    return rank(both / both.std((1, 2), keepdim=True).clamp_min(1e-6))


def _soft(faint: Tensor, truth: Tensor) -> Tensor:
    """Return where something faint lies beside the ink, on cells; under 0 nobody can say."""
    near = fn.max_pool2d(faint[:, None], 4)[:, 0]
    inked = fn.max_pool2d(truth[:, None], 2)[:, 0]
    there = (near > FAINT[1]).float()
    unsure = ((near > FAINT[0]) & (near <= FAINT[1])) | ((inked > 0.05) & (inked < 0.5))
    there = torch.where(inked >= 0.5, torch.zeros_like(there), there)
    return torch.where(unsure & (inked < 0.5), -torch.ones_like(there), there)


def _bled(cover: Tensor, per_mm: Tensor) -> Tensor:
    """Ink creeps into some papers: edges ragged and rounded."""
    n, device = len(cover), cover.device
    creep = chance(n, 0.3, device)
    soft = blurred(cover, (spread(n, 0.02, 0.09, device) * per_mm).clamp(0.3, 4))
    ragged = field(tuple(cover.shape), spread(n, 0.08, 0.3, device) * per_mm)
    level = 0.45 + _column(uniform(n, 0, 0.2, device)) * ragged * 0.6
    crept = torch.sigmoid((soft - level.clamp(0.2, 0.7)) / 0.08) * (soft * 10 - 0.5).clamp(0, 1)
    return torch.where(_column(creep) > 0, crept, cover)


def _left(dry: Tensor, relief: Tensor) -> Tensor:
    """Return the share of ink left on each place, by dryness and relief."""
    n, device = len(dry), dry.device
    soft = _column(spread(n, 0.02, 0.12, device))
    trace = _column(uniform(n, 0, 0.12, device))
    left = trace + (1 - trace) * torch.sigmoid((relief - dry) / soft)
    return torch.where(dry < 0.03, 1.0, left)


def _truth(cover: Tensor, left: Tensor, broad: Tensor, per_mm: Tensor) -> tuple[Tensor, Tensor]:
    sigma = AROUND_MM * per_mm
    there = (left > 0.35).float()
    mean = softened(cover * there, sigma) / softened(cover, sigma).clamp_min(1e-3)
    whole = cover * (mean > LEFT)
    unsure = (cover > 0.02) & (mean > NOTHING) & (mean <= LEFT) & (broad < 0.5)
    texture = cover * there
    truth = torch.where(broad > 0.5, texture, whole)
    return truth, 1 - unsure.float()


def _laid(cover: Tensor, left: Tensor, density: Tensor, per_mm: Tensor, old: Tensor) -> Tensor:
    """Return density in units of the page's: mottled, pooled at edges, another ink in places."""
    shape, n, device = tuple(cover.shape), len(cover), cover.device
    mottle = _column(chance(n, 0.5, device) * uniform(n, 0, 0.5, device))
    wave = field(shape, spread(n, 0.15, 6, device) * per_mm)
    laid = density * left * (1 + mottle * wave).clamp(0.25, 2.5)
    pool = _column(chance(n, 0.25, device) * uniform(n, 0, 0.9, device))
    inner = blurred(cover, (0.12 * per_mm).clamp(0.5, 5))
    laid = laid * (1 + pool * (1 - inner))
    some = (torch.rand(n, device=device) < 0.2 + 0.15 * old).float()
    other = _column(some * uniform(n, 0.3, 0.75, device))
    where = (slow(shape, spread(n, 8, 30, device) * per_mm) > 0.4).float()
    return laid * (1 - other * where)


def _beside(pieces: Pieces, relief: Tensor, page: Tensor, lens: Tensor) -> tuple[Tensor, Tensor]:
    """Return the density of all that is no ink, and of the soft marks among it."""
    shape, n = tuple(pieces.cover.shape), len(pieces.cover)
    device, per_mm, old = pieces.cover.device, pieces.per_mm, pieces.old
    soft = _column(_share_through(old) * page.clamp_max(1.7)) * _behind(pieces, lens)
    soft = soft + _pencil(pieces, relief, page)
    ruled = chance(n, 0.12, device) * spread(n, 0.03, 0.22, device) * page.clamp(0.3, 2.5)
    soft = soft + papers.printed(shape, per_mm, ruled)
    weak = _column((0.3 + 0.7 * page).clamp_max(1.3))
    worse = _column(1 + old * uniform(n, 0, 1.2, device))
    total = soft + weak * worse * papers.stains(shape, per_mm)
    total = total + weak * worse * papers.folds(shape, per_mm) + papers.smudges(shape, per_mm, old)
    total = total + papers.dust(shape, per_mm) * weak * 0.7 + papers.rims(shape, per_mm, old)
    return total + aged.beside(shape, per_mm, old, page), soft


def _share_through(old: Tensor) -> Tensor:
    """Return which share of the ink shows through from behind."""
    n, device = len(old), old.device
    some = torch.rand(n, device=device) < 0.35 + 0.4 * old
    much = torch.where(old > 0, spread(n, 0.1, 0.75, device), spread(n, 0.05, 0.65, device))
    return some.float() * much


def _behind(pieces: Pieces, lens: Tensor) -> Tensor:
    """Return the page behind, (N, H, W) 0 to about 1: as sharp as it is pale, or soft."""
    shape, n = tuple(pieces.cover.shape), len(pieces.cover)
    device, per_mm = lens.device, pieces.per_mm
    soft = lens * uniform(n, 0.8, 2.6, device) + per_mm * spread(n, 0.01, 0.15, device)
    behind = blurred(pieces.behind, soft.clamp(0.3, 14))
    patchy = _column(uniform(n, 0.1, 0.6, device))
    through = 1 - patchy + patchy * slow(shape, spread(n, 2, 20, device) * per_mm)
    return behind * through.clamp(0, 1.3)


def _pencil(pieces: Pieces, relief: Tensor, page: Tensor) -> Tensor:
    """Return the density of pencil: on the tooth's tops in its own tone, or smooth.

    What is as dark as ink where it lies is a dry pen's; graphite and colour never are.
    """
    n, device, per_mm = len(page), page.device, pieces.per_mm
    share = 0.5 - 0.25 * pieces.old
    much = (torch.rand(n, device=device) < share).float() * spread(n, 0.07, 0.45, device)
    pressed = blurred(pieces.pencil, spread(n, 0.02, 0.12, device) * per_mm).clamp_min(0)
    # pressed harder it reaches deeper between the tooth's tops
    gaps = _column(uniform(n, -0.2, 0.75, device)) + _column(uniform(n, 0, 0.4, device)) * (
        1 - pressed
    )
    tooth = torch.sigmoid((relief - gaps) / _column(uniform(n, 0.06, 0.3, device)))
    smooth = _column(chance(n, 0.4, device) * uniform(n, 0.3, 1, device))
    laid = smooth + (1 - smooth) * tooth
    return _column(much * page.clamp(0.3, 2.5)) * laid * pressed


def _taken(light: Tensor, page: Tensor, shade: Tensor, old: Tensor) -> Tensor:
    """Return what is left of the light after camera, file and flattening."""
    shape, n, device = tuple(light.shape), len(light), light.device
    lit = 0.85 * spread(n, 0.25, 1.1, device).clamp_max(1)
    uneven = 1 + 0.12 * slow(shape, spread(n, 80, 250, device)) * _column(chance(n, 0.5, device))
    shown = light * _column(lit) * uneven.clamp(0.5, 1.4)
    steps = encoded(shown)
    contrast = 1 - torch.exp(-page)
    noise = spread(n, 0.002, 0.05, device).minimum(0.11 * contrast)
    # where paper is dark, noise and grain are drawn out by the flattening
    loud = (torch.rand(n, device=device) < 0.35 + 0.25 * old).float() * uniform(n, 0, 9, device)
    louder = 1 + _column(loud) * shade
    steps = steps + _column(noise) * louder * field(shape, spread(n, 1, 2.5, device), 0.4)
    halo = _column(chance(n, 0.5, device) * uniform(n, 0, 1.2, device))
    steps = steps + halo * (steps - blurred(steps, spread(n, 0.7, 1.8, device)))
    steps = losses(steps.clamp(0, 1), spread(n, 42, 97, device))
    known = _column(lit) * uneven.clamp(0.5, 1.4)
    error = 1 + 0.03 * slow(shape, spread(n, 40, 250, device))
    off = 1 + _column(uniform(n, -0.03, 0.03, device))
    near = softened(light, torch.full((n,), 24.0, device=device))
    pulled = _column(chance(n, 0.2, device) * uniform(n, 0, 0.25, device))  # paper under blacks
    return linear(steps) / (known * error * off * (1 - pulled * (1 - near)).clamp_min(0.5))


def _level(dark: Tensor, truth: Tensor, page: Tensor) -> Tensor:
    """Return how dark the page's dense ink is: mostly right, sometimes wrong or left out.

    The package takes a quantile of what is darker than Otsu's threshold, on the whole page: gaps
    in dry strokes have no part in it, and a page of dry strokes has wet ones elsewhere.
    """
    n, device = len(dark), dark.device
    some = dark[:, ::3, ::3].reshape(n, -1)
    inked = truth[:, ::3, ::3].reshape(n, -1) > 0.8
    nothing = torch.full_like(some, float("nan"))
    values = torch.where(inked, some, nothing)
    most = torch.nanquantile(values, 0.95, dim=1)
    values = torch.where(values > 0.5 * most[:, None], values, nothing)
    told = torch.nanquantile(values, 0.9, dim=1)
    guess = 1 - encoded(0.02 + 0.98 * torch.exp(-page))
    few = inked.sum(1) < 30
    told = torch.where(few | (torch.rand(n, device=device) < 0.3), guess, told.maximum(0.6 * guess))
    told = told * (1 + 0.06 * torch.randn(n, device=device))
    wrong = torch.rand(n, device=device) < 0.1
    told = torch.where(wrong, told * spread(n, 0.65, 1.5, device), told)
    return torch.where(
        torch.rand(n, device=device) < 0.06, torch.zeros_like(told), told.clamp(0, 1)
    )
