"""A folder of layers in other colours: only the pictures of what changes are painted again."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import cast

import cv2
import numpy as np

from inkclean.base.arrays import U8
from inkclean.base.errors import InputError
from inkclean.deliver.layers.folder import MODES, ORDER_LIST, layer_files, order_list
from inkclean.deliver.layers.recolour import (
    LAYER_COLOURS,
    NewGroup,
    read_rgba,
    stated_px_per_mm,
)
from inkclean.deliver.layers.stack import Group, Layer, Op, Stack
from inkclean.deliver.pictures.png import picture_png

_OPS = {mode: op for op, mode in MODES.items()}


def recolour_folder(old: Path, new: Path, groups: Sequence[NewGroup]) -> None:
    """Write the folder of layers ``old`` to ``new``, an empty one, its groups as ``groups`` say.

    Raises:
        InputError: ``old`` is no such folder, or has no group of a name asked for.
    """
    try:
        with (old / ORDER_LIST).open(encoding="utf-8", newline="") as handle:
            rows = list(csv.DictReader(handle))
        _write(old, new, rows, groups)
    except (KeyError, ValueError, StopIteration, cv2.error) as error:
        raise InputError(
            f"{old} is not as inkclean left it ({error}); run inkclean flats again"
        ) from error


def _write(old: Path, new: Path, rows: list[dict[str, str]], groups: Sequence[NewGroup]) -> None:
    of_group: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        of_group.setdefault(row["group"], []).append(row)
    taken = {name for group in groups for name in group.before}
    first = next(at for at, row in enumerate(rows) if row["group"] in taken)
    bodies: list[bytes] = []
    children: list[Layer | Group] = []

    def plain(row: dict[str, str]) -> None:
        children.append(_named(row))
        bodies.append((old / row["file"]).read_bytes())

    for row in rows[:first]:
        plain(row)
    for group in groups:
        parts = of_group[group.before[0]]
        if group.painted or len(group.before) > 1:
            bodies += _painted(old, [of_group[name] for name in group.before], group)
        else:
            bodies += [(old / row["file"]).read_bytes() for row in parts]
        children.append(Group(group.name, tuple(map(_named, parts))))
    for row in rows[first:]:
        if row["group"] not in taken:
            plain(row)
    stack = Stack(1, 1, 1.0, tuple(children))
    for name, body in zip(layer_files(stack), bodies, strict=True):
        (new / name).write_bytes(body)
    (new / ORDER_LIST).write_text(order_list(stack), encoding="utf-8")


def _named(row: dict[str, str]) -> Layer:
    op = cast("Op", _OPS[row["mode"]])
    return Layer(row["layer"], op, None, lambda box: np.zeros((1, 1, 4), np.uint8))


def _painted(old: Path, groups: list[list[dict[str, str]]], to: NewGroup) -> list[bytes]:
    """Return the pictures of a group in its colour, those of all ``groups`` together."""
    alphas: dict[str, U8] = {}
    used: dict[str, bool] = {}
    bodies = {row["file"]: (old / row["file"]).read_bytes() for rows in groups for row in rows}
    for rows in groups:
        for row in rows:
            pixels = read_rgba(bodies[row["file"]])
            # a layer without shade is nothing at all; one that shades nowhere has its colour
            used[row["layer"]] = used.get(row["layer"], False) or bool(pixels.any())
            alpha = np.asarray(cv2.extractChannel(pixels, 3), np.uint8)
            there = alphas.get(row["layer"])
            alphas[row["layer"]] = alpha if there is None else np.maximum(there, alpha)
    flat = (alphas["flat"] > 0).view(np.uint8)
    made = []
    for row in groups[0]:
        alpha, colour = alphas[row["layer"]], LAYER_COLOURS[row["layer"]](to.colour)
        if not used[row["layer"]]:
            pixels = np.zeros((*alpha.shape, 4), np.uint8)
        else:
            words = np.array([[0] * 4, [*colour, 0]], np.uint8).view(np.uint32)
            pixels = words.ravel()[flat].view(np.uint8).reshape(*alpha.shape, 4)
            cv2.insertChannel(alpha, pixels, 3)
        made.append(picture_png(pixels, stated_px_per_mm(bodies[row["file"]])))
    return made
