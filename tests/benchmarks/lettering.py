"""Lettering told apart from the art, on drawn pages whose lettering is known.

Run: ``python -m tests.benchmarks.lettering [PAGES] [ART.npz] [FONTS]``. Pages are drawn with
fonts of Debian's: those that choices were made on, and those kept out of fitting, on which later
choices were made too (see RESULTS.md). ART are drawings by other hands that were kept out
(``kept-out.npz`` of ``tests/fitting/lettering/art.py``); without them the pages hold textures and
panels alone. FONTS is a folder of other fonts to measure in their place; every second page then
has thoughts and black boxes too. What is not installed is left out:

apt-get install fonts-tomsontalks fonts-dkg-handwriting fonts-breip fonts-bwht fonts-femkeklaver
fonts-kristi fonts-leckerli-one fonts-rufscript fonts-sjfonts fonts-tlwg-purisa-ttf
fonts-ecolier-court fonts-yusei-magic fonts-summersby fonts-comic-neue fonts-dancingscript
fonts-kaushanscript fonts-humor-sans fonts-lobster fonts-reggae fonts-isabella fonts-staypuft
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from inkclean.flats.lettering.find import find_lettering
from tests.fitting.lettering.packed import Art
from tests.lettering import pages, textures, words
from tests.lettering.thoughts import thoughts_and_blacks

FONTS = Path("/usr/share/fonts")
KEPT_OUT = {
    "Tomson Talks": "truetype/tomsontalks/TomsonTalks.ttf",
    "DKG handwriting": "truetype/fifthhorseman/dkg.ttf",
    "Breip": "truetype/breip/Breip.ttf",
    "Because We Build": "opentype/bwht/BecauseWeBuild-Regular.otf",
    "Because We Learn": "opentype/bwht/BecauseWeLearn-Regular.otf",
    "Femke Klaver": "truetype/femkeklaver/femkeklaver.ttf",
    "Kristi": "truetype/kristi/Kristi.ttf",
    "Leckerli One": "truetype/leckerli-one/LeckerliOne-Regular.ttf",
    "Rufscript": "truetype/rufscript/Rufscript010.ttf",
    "Delphine": "truetype/sjfonts/Delphine.ttf",
    "Steve Hand": "truetype/sjfonts/SteveHand.ttf",
    "Purisa": "truetype/tlwg/Purisa.ttf",
    "Ecolier court": "truetype/ecolier-court/Ecolier-court.ttf",
    "Yusei Magic": "truetype/yusei-magic/YuseiMagic-Regular.ttf",
    "Summersby": "truetype/summersby/summersby.ttf",
}
CHOSEN_ON = {
    "Comic Neue": "opentype/comic-neue/ComicNeue-Regular.otf",
    "Comic Neue Bold": "opentype/comic-neue/ComicNeue-Bold.otf",
    "Dancing Script": "opentype/dancingscript/DancingScript-Regular.otf",
    "Kaushan Script": "opentype/kaushanscript/KaushanScript-Regular.otf",
    "Humor Sans": "truetype/humor-sans/Humor-Sans.ttf",
    "Lobster": "opentype/lobster/lobster.otf",
    "Reggae One": "truetype/reggae/ReggaeOne-Regular.ttf",
    "Isabella": "truetype/isabella/Isabella.ttf",
    "StayPuft": "truetype/staypuft/StayPuft.ttf",
}
SCRIPTS: tuple[str, ...] = (
    "Kristi",
    "Ecolier court",
    "Dancing Script",
    "Kaushan Script",
    "Lobster",
    "Isabella",
)
SCRIPTS += ("Leckerli One", "Delphine")
WHOLE = 0.9  # a balloon is found if so much of its outline's ink is


@dataclass
class Tally:
    """Ink counted over pages, px."""

    letters: int = 0
    found: int = 0
    sounds: int = 0
    sounds_found: int = 0
    bare: int = 0
    bare_found: int = 0
    art: int = 0
    taken: int = 0
    outline: int = 0
    outline_found: int = 0
    balloons: list[float] = field(default_factory=list)
    bubbles: int = 0
    bubbles_found: int = 0
    black: int = 0
    black_found: int = 0

    def add(self, board: pages.Board) -> None:
        """Count a page."""
        kind = np.where(board.kind > 0, find_lettering(board.ink).kind, 0)
        text, lettered = board.kind == pages.TEXT, kind == pages.TEXT
        quiet = text & ~board.sounds
        self.letters += int(quiet.sum())
        self.found += int((quiet & lettered).sum())
        free = board.sounds & ~board.bare
        self.sounds += int(free.sum())
        self.sounds_found += int((free & lettered).sum())
        self.bare += int(board.bare.sum())
        self.bare_found += int((board.bare & lettered).sum())
        art = board.kind == textures.ART
        self.art += int(art.sum())
        self.taken += int((art & (kind != textures.ART)).sum())
        outline = board.kind == pages.BALLOON
        self.outline += int(outline.sum())
        self.outline_found += int((outline & (kind == pages.BALLOON)).sum())
        self.balloons += [
            float((kind[place][own] == pages.BALLOON).mean())
            for place, own in board.outlines
            if own.any()
        ]
        self.bubbles += int(board.bubbles.sum())
        self.bubbles_found += int((kind[board.bubbles] == pages.BALLOON).sum())
        self.black += int(board.black.sum())
        self.black_found += int((kind[board.black] == pages.BALLOON).sum())

    def line(self, name: str) -> str:
        """Return a row of the table."""
        whole = np.mean([share > WHOLE for share in self.balloons]) if self.balloons else 1
        shares = [
            self.found / max(self.letters, 1),
            self.sounds_found / max(self.sounds, 1),
            self.bare_found / max(self.bare, 1),
            self.taken / max(self.art, 1),
            self.outline_found / max(self.outline, 1),
            float(whole),
            self.bubbles_found / max(self.bubbles, 1),
            self.black_found / max(self.black, 1),
        ]
        return f"| {name} | " + " | ".join(f"{100 * share:.2f}" for share in shares) + " |"

    def __iadd__(self, other: Tally) -> Tally:
        """Add the counts of another."""
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)
        return self


def measured(
    fonts: dict[str, str], many: int, art: Art | None, seed: int, *, thoughts: bool = False
) -> None:
    """Print a row a font, and one of all; with ``thoughts`` on every second page."""
    whole = Tally()
    for number, (name, path) in enumerate(fonts.items()):
        if not (FONTS / path).exists():
            print(f"| {name} | not installed |")
            continue
        own = Tally()
        for page in range(many):
            setter = words.of_font(FONTS / path, script=name in SCRIPTS)
            drawn = art.any if art else None
            more = thoughts_and_blacks if thoughts and page % 2 else None
            place = seed + 100 * number + page
            own.add(pages.board(place, [setter], drawn, bare=0.15, more=more))
        print(own.line(name), flush=True)
        whole += own
    print(whole.line("all"), flush=True)


def main() -> None:
    """Print the tables."""
    cv2.setNumThreads(1)
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    art = Art(Path(sys.argv[2])) if len(sys.argv) > 2 else None
    if len(sys.argv) > 3:
        given = {path.stem: str(path) for path in sorted(Path(sys.argv[3]).glob("*.[to]tf"))}
        _head("given")
        measured(given, many, art, 90_000, thoughts=True)
        return
    for title, fonts, seed in (
        ("chosen on", CHOSEN_ON, 50_000),
        ("kept out", KEPT_OUT, 70_000),
    ):
        _head(title)
        measured(fonts, many, art, seed)


def _head(title: str) -> None:
    columns = "letters | sound words | bare on art | art taken | outlines | balloons | bubbles"
    print(f"\n| fonts {title} | {columns} | black boxes |")
    print("| --- " * 9 + "|")


if __name__ == "__main__":
    main()
