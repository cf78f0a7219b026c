"""Fits the network that settles edges, on the CPU, in five minutes of one core.

Run: ``python -m tests.fitting.edges.fit STEPS OUT PAGES JUDGED``. PAGES and JUDGED are folders
that ``pages`` filled, OUT becomes ``inkclean/ink/edges.i16``: there it is of 9000 steps on two
shots each of pages 5100 to 5109, 5200 to 5210 and 5300 to 5310. The loss is the square of what is
wrong with a pixel's share of ink. Weights are rounded to the package's whole numbers at the end;
then the errors in JUDGED, of drawings kept out, are printed.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import torch

from inkclean.base.arrays import F32, U8
from inkclean.ink.edges import CODES, FULL, LAYERS, LOWEST, SIDE, UNIT, run_layers, unpack

BATCH = 4096
RATE = 6e-3
ASTRAY = 0.1  # mean error of a shot's pixels beside edges


class Net(torch.nn.Module):
    """The package's network in floating point; its input is codes / ``FULL``."""

    def __init__(self) -> None:
        super().__init__()
        self.layers = torch.nn.ModuleList(torch.nn.Linear(*pair) for pair in pairwise(LAYERS))

    def forward(self, value: torch.Tensor) -> torch.Tensor:
        """Return (N,) how much the share of ink differs from what light says."""
        for layer in self.layers[:-1]:
            value = torch.clamp(layer(value), 0, 1)
        last: torch.Tensor = self.layers[-1](value)
        return last[:, 0]


def packed(net: Net) -> bytes:
    """Return the weights as the package holds them."""
    parts = []
    for layer in net.layers:
        parts.append(layer.weight.detach().numpy().T.ravel() * UNIT)
        parts.append(layer.bias.detach().numpy() * UNIT)
    flat = np.rint(np.concatenate(parts))
    print("largest weight", np.abs(flat).max(), "of 32767")
    return flat.astype("<i2").tobytes()


def load(folder: Path) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Return what was seen (N, …), the share of ink that light says (N,) and the true one."""
    kept = [np.load(path) for path in sorted(folder.glob("*.npz"))]
    # where whole strokes were judged wrongly there is no edge to settle
    kept = [part for part in kept if abs(np.mean(_said(part["seen"]) - part["true"])) < ASTRAY]
    seen = torch.tensor(np.concatenate([part["seen"] for part in kept]))
    true = torch.tensor(np.concatenate([part["true"] for part in kept]))
    return seen, torch.tensor(_said(seen.numpy())), true


def _said(seen: U8) -> F32:
    return np.asarray(seen[:, SIDE * SIDE // 2] / np.float32(CODES) + np.float32(LOWEST))


def main(steps: int, out: Path, pages: Path, judged: Path) -> None:
    """Fit on what the folder holds."""
    seen, said, true = load(pages)
    net = Net()
    rate = torch.optim.AdamW(net.parameters(), RATE, weight_decay=1e-4)
    falling = torch.optim.lr_scheduler.OneCycleLR(rate, RATE, steps)
    for step in range(steps):
        chosen = torch.randint(0, len(seen), (BATCH,))
        move = net(seen[chosen].float() / FULL)
        loss = ((said[chosen] + move - true[chosen]) ** 2).mean()
        rate.zero_grad()
        loss.backward()
        rate.step()
        falling.step()
        if step % 1000 == 0:
            print(step, f"{loss.item():.5f}", flush=True)
    out.write_bytes(packed(net))
    seen, said, true = load(judged)
    with torch.no_grad():
        exact = net(seen.float() / FULL)
    whole = torch.tensor(run_layers(unpack(out.read_bytes()), seen.numpy().T))
    for name, move in (("light", 0 * exact), ("fitted", exact), ("whole numbers", whole)):
        away = said + move - true
        print(f"{name}: {away.square().mean().sqrt():.4f}, mean {away.mean():.4f}")


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), Path(sys.argv[4]))
