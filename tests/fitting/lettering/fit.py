"""Fits the network that tells letters by their looks, and the judge that weighs it.

Run: ``python -m tests.fitting.lettering.fit looks OUT.onnx CHOOSE.npz DATA.npz...``, then
``python -m tests.fitting.lettering.fit judge OUT.f32 OUT.onnx CHOOSE.npz DATA.npz...`` (torch,
onnx), with what ``collect`` wrote; CHOOSE is of fonts that nothing is fitted on. Some eight
minutes of one core.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import nn

from inkclean.flats.lettering import judge as judging

EPOCHS = 8
BATCH = 256


class Looks(nn.Module):
    """Two towers, for the mark and for what is around it, that meet in a small dense layer."""

    def __init__(self) -> None:
        super().__init__()
        self.layers = nn.Sequential(
            nn.Conv2d(2, 24, 5, stride=2, padding=2, groups=2),
            nn.ReLU(),
            nn.Conv2d(24, 48, 3, stride=2, padding=1, groups=2),
            nn.ReLU(),
            nn.Conv2d(48, 64, 3, stride=2, padding=1, groups=2),
            nn.ReLU(),
            nn.Flatten(),
            nn.Linear(1024, 48),
            nn.ReLU(),
            nn.Linear(48, 1),
        )

    def forward(self, x: Any) -> Any:
        return self.layers(x)


def load(paths: list[str]) -> dict[str, Any]:
    """Return the data of several files."""
    parts = [np.load(path) for path in paths]
    return {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}


def weight_of(data: dict[str, Any]) -> Any:
    """What a mark counts: by the root of its ink, so that large ones are not taken lightly."""
    size_mm2 = data["numbers"][:, 4] / data["scale"] ** 2
    weight = np.sqrt(np.clip(size_mm2, 0.1, 40))
    return np.where(data["label"] >= 0, weight / weight.mean(), 0).astype(np.float32)


def fit_looks(out: Path, choose: str, paths: list[str]) -> None:
    """Fit the network."""
    torch.manual_seed(0)
    rng = np.random.default_rng(0)
    data, held = load(paths), load([choose])
    where = "cuda" if torch.cuda.is_available() else "cpu"
    seen = torch.from_numpy(data["seen"]).to(where)
    label = torch.from_numpy(data["label"].astype(np.float32)).to(where)
    weight = torch.from_numpy(weight_of(data)).to(where)
    net = Looks().to(where)
    steps = EPOCHS * (len(label) // BATCH)
    optimiser = torch.optim.AdamW(net.parameters(), 2e-3, weight_decay=1e-3)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, 4e-3, steps + 1)
    lost = nn.BCEWithLogitsLoss(reduction="none")
    began = time.process_time()
    for epoch in range(EPOCHS):
        order, total = rng.permutation(len(label)), 0.0
        for first in range(0, len(order) - BATCH + 1, BATCH):
            at = torch.from_numpy(order[first : first + BATCH]).to(where)
            picture = seen[at].float() / 255
            shift = rng.integers(-1, 2, 2).tolist()
            picture = torch.roll(picture, shift, (2, 3))
            loss = (lost(net(picture)[:, 0], label[at].clamp(0)) * weight[at]).mean()
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
            schedule.step()
            total += float(loss)
        told(
            net,
            held,
            f"{epoch} {total / (len(order) // BATCH):.4f} {time.process_time() - began:.0f} s",
        )
        torch.save(net.state_dict(), out.with_suffix(".pt"))
    net.eval().cpu()
    torch.onnx.export(
        net,
        (torch.zeros(1, 2, 32, 32),),
        str(out),
        input_names=["seen"],
        output_names=["odds"],
        dynamic_axes={"seen": {0: "n"}, "odds": {0: "n"}},
        dynamo=False,
    )


def told(net: nn.Module, data: dict[str, Any], what: str) -> None:
    """Print how well marks of the chosen fonts are told."""
    where = next(net.parameters()).device
    with torch.no_grad():
        odds = np.concatenate(
            [
                net(torch.from_numpy(part).to(where).float() / 255)[:, 0].cpu().numpy()
                for part in np.array_split(data["seen"], 1 + len(data["seen"]) // 1024)
            ]
        )
    shares(odds, data, what)


def shares(odds: Any, data: dict[str, Any], what: str) -> None:
    """Print shares of marks and of ink that are found and taken."""
    label, size = data["label"], data["numbers"][:, 4]
    found = odds > 0
    text, art = label == 1, label == 0
    print(
        what,
        f"marks found {found[text].mean():.4f} taken {found[art].mean():.4f}",
        f"ink found {size[text & found].sum() / size[text].sum():.4f}",
        f"taken {size[art & found].sum() / size[art].sum():.4f}",
        flush=True,
    )


def odds_of(net: cv2.dnn.Net, seen: Any) -> Any:
    """Return what the network says of pictures."""
    out = []
    for first in range(0, len(seen), 1024):
        net.setInput(seen[first : first + 1024].astype(np.float32) / 255)
        out.append(net.forward()[:, 0].copy())
    return np.concatenate(out)


def features(data: dict[str, Any], net: cv2.dnn.Net) -> Any:
    """Return what the judge looks at, a page at a time; and again with its first answer."""
    odds = odds_of(net, data["seen"])
    parts = []
    for page in np.unique(data["page"]):
        at = np.flatnonzero(data["page"] == page)
        parts.append((at, judging.Shapes.of(data["numbers"][at], float(data["scale"][at[0]]))))
    return odds, parts


def fit_judge(out: Path, onnx: str, choose: str, paths: list[str]) -> None:
    """Fit the judge in two rounds: the second sees what the first says of the neighbours."""
    net = cv2.dnn.readNetFromONNX(onnx)
    data, held = load(paths), load([choose])
    layers: list[Any] = []
    odds, parts = features(data, net)
    odds_held, parts_held = features(held, net)
    shares(odds_held, held, "looks alone")
    now, now_held = odds, odds_held
    for round_ in range(judging.ROUNDS):
        x = np.zeros((len(odds), judging.FEATURES), np.float32)
        x_held = np.zeros((len(odds_held), judging.FEATURES), np.float32)
        for at, shapes in parts:
            x[at] = judging.features(shapes, odds[at], now[at])
        for at, shapes in parts_held:
            x_held[at] = judging.features(shapes, odds_held[at], now_held[at])
        layer = _dense(x, data, x_held, held)
        layers.append(layer)
        now, now_held = judging.answer(layer, x), judging.answer(layer, x_held)
        shares(now, data, f"round {round_} fitted on")
        shares(now_held, held, f"round {round_} kept")
    np.concatenate([part.ravel() for layer in layers for part in layer]).astype("<f4").tofile(out)


def _dense(x: Any, data: dict[str, Any], x_held: Any, held: dict[str, Any]) -> Any:
    torch.manual_seed(1)
    mean, spread = x.mean(0), x.std(0) + 1e-3
    net = nn.Sequential(
        nn.Linear(judging.FEATURES, judging.HIDDEN), nn.ReLU(), nn.Linear(judging.HIDDEN, 1)
    )
    given = torch.from_numpy((x - mean) / spread)
    label = torch.from_numpy(data["label"].astype(np.float32))
    weight = torch.from_numpy(weight_of(data))
    optimiser = torch.optim.AdamW(net.parameters(), 3e-3, weight_decay=1e-4)
    lost = nn.BCEWithLogitsLoss(reduction="none")
    rng = np.random.default_rng(0)
    for _ in range(14):
        order = rng.permutation(len(label))
        for first in range(0, len(order) - 512 + 1, 512):
            at = torch.from_numpy(order[first : first + 512])
            loss = (lost(net(given[at])[:, 0], label[at].clamp(0)) * weight[at]).mean()
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
        for group in optimiser.param_groups:
            group["lr"] *= 0.8
    w1, b1 = net[0].weight.detach().numpy(), net[0].bias.detach().numpy()
    w2, b2 = net[2].weight.detach().numpy(), net[2].bias.detach().numpy()
    # the scaling of features goes into the weights
    scaled = w1 / spread
    return [scaled.T.copy(), b1 - scaled @ mean, w2[0], b2]


def main() -> None:
    """Fit the one or the other."""
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    what, out, *rest = sys.argv[1:]
    if what == "looks":
        fit_looks(Path(out), rest[0], rest[1:])
    else:
        fit_judge(Path(out), rest[0], rest[1], rest[2:])


if __name__ == "__main__":
    main()
