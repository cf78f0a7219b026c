"""What the browser is told of the areas."""

from __future__ import annotations

from typing import Any

import numpy as np

from inkclean.base.arrays import F64
from inkclean.desk.work.told import BridgeTold, CheckTold, FlatsTold
from inkclean.flats.values import BRIDGED, LINE, OPEN_GAP, Flats

_WHAT = {OPEN_GAP: "gap", BRIDGED: "bridge", LINE: "line"}
_PICTURE = ("picture", "width", "height", "levels")


def flats_told(flats: Flats, shown: dict[str, Any]) -> FlatsTold:
    """Return what is told of the areas, whose label map is kept as the picture ``shown``."""
    areas = flats.areas
    x, y, size = (
        areas[name].astype(np.float64).round(digits).tolist()
        for name, digits in (("x_mm", 2), ("y_mm", 2), ("size_mm2", 1))
    )
    return FlatsTold(
        **{name: shown[name] for name in _PICTURE},
        areas=list(zip(x, y, areas["kind"].tolist(), size, strict=True)),
        bridges=[
            BridgeTold(np.round(bridge["cubic"], 3).tolist(), bool(bridge["given"]))
            for bridge in flats.bridges
        ],
        gaps=np.round(flats.gaps["cubic"], 3).tolist(),
        checks=checks_told(flats),
    )


def checks_told(flats: Flats) -> list[CheckTold]:
    """Return what to check in the areas, for the browser."""
    height, width = flats.labels.shape

    def label(point: F64) -> int:
        x, y = (point * flats.px_per_mm).astype(int)
        return int(flats.labels[min(y, height - 1), min(x, width - 1)])

    return [
        CheckTold(
            x=round(float(check["x_mm"]), 3),
            y=round(float(check["y_mm"]), 3),
            size=round(float(check["size_mm"]), 2),
            what=_WHAT[int(check["kind"])],
            bridge=int(check["bridge"]),
            labels=[label(check["one"]), label(check["other"])],
            one=np.round(check["one"], 3).tolist(),
            other=np.round(check["other"], 3).tolist(),
            cubics=np.round(flats.gaps["cubic"][flats.gaps["check"] == number], 3).tolist(),
        )
        for number, check in enumerate(flats.checks)
    ]
