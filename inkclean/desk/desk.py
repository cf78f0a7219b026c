"""The state of the desk: which page is how far, who is told, and what the workers are asked."""

from __future__ import annotations

import asyncio
import shutil
import threading
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from inkclean.base.colour import as_hex
from inkclean.base.errors import InkcleanError, InputError
from inkclean.deliver.book_file import entry_json
from inkclean.deliver.files import placed
from inkclean.desk import pictures
from inkclean.desk.accuracy import CurvesPiece, curves_near
from inkclean.desk.acts import apply_acts, check_act
from inkclean.desk.book import DeskBook, change_told, in_book, refers
from inkclean.desk.colour_acts import entries
from inkclean.desk.config import Config
from inkclean.desk.edits import Dab, PageEdits, check_points
from inkclean.desk.log import Act, EditLog
from inkclean.desk.numbers import shared_numbers
from inkclean.desk.shelf import Shelf, ShelfPage
from inkclean.desk.touch import colour_at, turned
from inkclean.desk.work.before import trim
from inkclean.desk.work.bench import Hands
from inkclean.desk.work.task import PageTask, Purpose
from inkclean.flats.lettering.edits import read_letter_edits
from inkclean.ink.edits import read_ink_edits
from inkclean.jobs.inputs import TICKET
from inkclean.jobs.ticket import read_ticket
from inkclean.settings import Settings, check_settings

if TYPE_CHECKING:
    from inkclean.desk.work.printing import Printing
    from inkclean.flats.colour.hints import Hints


class Desk:
    """All pages on the desk. Methods are called from the server's threads."""

    def __init__(self, config: Config) -> None:
        self.config = config
        self.shelf = Shelf(config.folder, config.own)
        self.book = DeskBook(config.folder, config.own)
        self._lock = threading.RLock()
        self._thumbs = threading.Lock()
        self._told = 0
        self._logs: dict[str, EditLog] = {}
        self._starts: dict[str, PageEdits] = {}
        self._said: dict[str, dict[str, Any]] = {}
        self._ears: dict[asyncio.Queue[dict[str, Any]], asyncio.AbstractEventLoop] = {}
        for left in config.own.glob("pages/*/take"):
            shutil.rmtree(left, ignore_errors=True)
        trim(list(config.own.glob("pages/*/pictures")))
        for left in config.own.glob("incoming-*"):
            left.unlink(missing_ok=True)
        self._hands = Hands(self._heard)
        self._needs: dict[str, float] = {}

    def close(self) -> None:
        """End the worker processes."""
        self._hands.close()

    # who listens

    def listen(self) -> asyncio.Queue[dict[str, Any]]:
        """Return a queue of all that happens from now on."""
        queue: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        with self._lock:
            self._ears[queue] = asyncio.get_running_loop()
        return queue

    def unlisten(self, queue: asyncio.Queue[dict[str, Any]]) -> None:
        """Stop filling the queue."""
        with self._lock:
            self._ears.pop(queue, None)

    def publish(self, event: dict[str, Any]) -> None:
        """Tell everybody who listens."""
        with self._lock:
            ears = list(self._ears.items())
        for queue, loop in ears:
            with suppress(RuntimeError):  # that loop has ended
                loop.call_soon_threadsafe(queue.put_nowait, event)

    def _heard(self, event: dict[str, Any]) -> None:
        if event["event"] == "stage":
            with self._lock:
                self._told += 1
                said = {**event["said"], "n": self._told}
                self._said.setdefault(event["page"], {})[event["stage"]] = said
                event = {**event, "said": said}
        elif event["event"] == "taken":
            with self._lock:
                self._said.setdefault(event["page"], {})["taken"] = event
            self._leave_ticket(event["page"])
        self.publish(event)

    # pages

    def folder(self, page: ShelfPage) -> Path:
        """Return the desk's own folder of a page."""
        found = self.config.own / "pages" / page.id
        found.mkdir(parents=True, exist_ok=True)
        return found

    def log(self, page: ShelfPage) -> EditLog:
        """Return the page's log, opened once."""
        with self._lock:
            if page.id not in self._logs:
                self._logs[page.id] = EditLog(self.folder(page) / "edits.log")
                self._starts[page.id] = self._start(page)
            return self._logs[page.id]

    def _start(self, page: ShelfPage) -> PageEdits:
        """Return what the page's ticket says, if the command line left one for this photo."""
        from inkclean.deliver.flats_record import read_edits

        path = self.ticket_path(page)
        kept = self.folder(page) / "start.ticket.json"
        if not kept.exists() and path.exists() and not self._logs[page.id].count:
            shutil.copyfile(path, kept)
        plain = PageEdits(Settings(budget_mp=self.config.budget_mp))
        if not kept.exists():
            return plain
        try:
            ticket = read_ticket(kept)
            if ticket.sha256 != page.sha256 or ticket.page != page.number:
                return plain
            flats, hints = read_edits(ticket.edits.get("flats", {}))
            dabs = () if hints is None else _dabs(hints)
            settings = replace(ticket.settings_used, budget_mp=self.config.budget_mp)
            ink, places = read_ink_edits(ticket.edits.get("ink", {})), ticket.edits.get("checked")
            checked = tuple((x, y) for x, y in check_points(places, 2)) if places else ()
            letters = read_letter_edits(ticket.edits.get("lettering", {}))
            return PageEdits(settings, ink, letters, flats, dabs, checked=checked)
        except InkcleanError:
            return plain

    def ticket_path(self, page: ShelfPage) -> Path:
        """Return where the page's ticket lies beside its photo."""
        return page.path.with_name(page.name + TICKET)

    def work(self, page: ShelfPage) -> PageEdits:
        """Return all that was asked of the page, in the book's colours of now."""
        log = self.log(page)
        return in_book(apply_acts(list(log.done), self._starts[page.id]), self.book.now())

    def act(self, page: ShelfPage, act: Act) -> str:
        """Keep an edit (checked) and let the page follow; return what to say of it, if anything.

        Raises:
            UsageError: the book's colours that it changes were changed meanwhile.
        """
        if act["kind"] != "book":
            self.log(page).do(act)
            self._changed(page)
            return ""
        with self._lock:
            said = self._in_book(act["out"], act["into"])
            self.log(page).do(act)
        self._all_changed()
        return said

    def _in_book(self, out: list[Act], into: list[Act]) -> str:
        """Change the book, and say which pages have the colours that changed."""
        old, new = entries(out), entries(into)
        names = {colour.name for colour in old}
        pages = [page.name for page in self.shelf.pages() if names & refers(self.work(page))]
        self.book.change(old, new)
        return change_told(old, new, pages)

    def pencil(self, page: ShelfPage, x: float, y: float) -> str:
        """Remove the pencil at a place of the sheet, or keep it; return what happened in words.

        Raises:
            UsageError: no pencil is there.
            LookupError: the sheet has not been found yet.
        """
        with self._lock:
            said = self._said[page.id]
            lit, sheet, pencil = said["lit"], said["sheet"], said["pencil"]
        pixels = pictures.read_whole(self.picture(page, lit["picture"]))
        touched = colour_at(pixels, x, y, sheet["px_per_mm"])
        drop, words = turned(self.work(page).settings.drop, pencil["colours"], touched)
        self.act(page, check_act({"kind": "set", "drop": drop}))
        return words

    def step(self, page: ShelfPage, back: bool) -> str:
        """Undo or redo, if there is anything to; return what to say of it, if anything."""
        log, said = self.log(page), ""
        with self._lock:
            acts = log.done if back else log.undone
            act: Act = acts[-1] if acts else {"kind": ""}
            if act["kind"] == "book":
                sides = (act["into"], act["out"]) if back else (act["out"], act["into"])
                try:
                    said = self._in_book(*sides)
                except InkcleanError as error:  # it was changed from elsewhere: that counts
                    said = f"Undone here. The book stays: {error}" if back else str(error)
            if not (log.undo() if back else log.redo()):
                return ""
        if act["kind"] == "book":
            self._all_changed()
        else:
            self._changed(page)
        return said

    def _changed(self, page: ShelfPage) -> None:
        self.publish({"page": page.id, "event": "changed", "count": self.count(page)})

    def _all_changed(self) -> None:
        for page in self.shelf.pages():
            self._changed(page)

    def count(self, page: ShelfPage) -> int:
        """Return how often the page, or the book, was changed."""
        return self.log(page).count + self.book.count

    def bring(self, page: ShelfPage, goal: str) -> None:
        """Have the page brought to ``goal``, one of the stages' goals."""
        self._hands.ask(page.id, self._task(page, goal))

    def take(self, page: ShelfPage, use: str, printing: Printing | None = None) -> None:
        """Have the files of one purpose made; ``printing`` is how, None for black lines alone."""
        into = self.folder(page) / "take" / use.replace(" ", "-")
        purpose = Purpose(use, into, page.name, page.sha256, printing)
        self._hands.ask(page.id, self._task(page, "take", purpose))

    def thumb(self, page: ShelfPage) -> Path:
        """Return a small picture of the page's photo, made once.

        Raises:
            InputError: the photo cannot be read.
        """
        from inkclean.sheet.read import small_photo

        path = self.folder(page) / "thumb.jpg"
        with self._thumbs:  # one at a time: a decoded photo takes memory
            if not path.exists():
                budget, least = self.config.budget_mp, pictures.THUMB_PX
                photo = small_photo(page.path, page.number, least, budget_mp=budget)
                with placed(path, True) as draft:
                    draft.write_bytes(pictures.shrink_photo(photo.pixels))
        return path

    def join(self, words: list[str]) -> ShelfPage:
        """Have several photos count as views of one page; return the page."""
        return self._other_photos(self.shelf.join(words))

    def renew(self, page: ShelfPage, newer: str) -> ShelfPage:
        """Put a better photo in a page's place; all that was done to the page stays."""
        return self._other_photos(self.shelf.renew(page.id, newer))

    def part(self, page: ShelfPage) -> ShelfPage:
        """Make the photos of a page pages of their own again."""
        return self._other_photos(self.shelf.part(page.id))

    def _other_photos(self, page: ShelfPage) -> ShelfPage:
        with self._lock:
            self._said.pop(page.id, None)
            self._needs.pop(page.id, None)
        self.publish({"event": "shelf"})
        return page

    def _task(self, page: ShelfPage, goal: str, purpose: Purpose | None = None) -> PageTask:
        folder = self.folder(page) / "pictures"
        budget = self.config.budget_mp
        work = self.work(page)
        count = self.count(page)
        need = self._need(page)
        at = (page.id, page.path, page.number, folder)
        return PageTask(*at, work, goal, budget, count, need, purpose, page.more)

    def _need(self, page: ShelfPage) -> float:
        """Return about what a page takes in memory, in MB."""
        from inkclean.jobs.batch import need_of, need_together
        from inkclean.jobs.results import Order
        from inkclean.sheet.read import largest_pixels

        with self._lock:
            if page.id not in self._needs:
                more = [path for path, _ in (*page.more.others, *page.more.newer)]
                need = need_of(largest_pixels(page.path), Order(Settings()))
                self._needs[page.id] = need + need_together(more)
            return self._needs[page.id]

    def state(self, page: ShelfPage) -> dict[str, Any]:
        """Return all that the browser shows of a page."""
        stages = self._stages(page)
        return {**self.brief(page), "stages": stages, "numbers": shared_numbers()}

    def brief(self, page: ShelfPage) -> dict[str, Any]:
        """Return what an edit changes at once: all but what was told of the stages."""
        log, work = self.log(page), self.work(page)
        s = work.settings
        return {
            "id": page.id,
            "name": page.name,
            "count": self.count(page),
            "undo": len(log.done),
            "redo": len(log.undone),
            "settings": {
                "paper": s.paper,
                "frame": s.frame,
                "weight": s.weight,
                "speck_mm": s.speck_mm,
                "within_mm": s.within_mm,
                "drop": list(s.drop),
            },
            "kept": [list(place) for place in work.ink.kept],
            "joins": [[list(p) for p in join] for join in work.flats.joins],
            "dabs": [list(dab) for dab in work.dabs],
            "light": work.light,
            "names": dict(work.names),
            "book": [entry_json(colour) for colour in self.book.now().colours],
            "checked": [list(place) for place in work.checked],
        }

    def _stages(self, page: ShelfPage) -> dict[str, Any]:
        """Return what was told of the page's stages; of one just opened, what still holds."""
        from inkclean.desk.work.stages import Bench

        with self._lock:
            if page.id not in self._said:
                task = self._task(page, "look")
                bench = Bench(task.source, task.number, task.folder, task.budget_mp, task.more)
                told = bench.standing(task.work)
                self._said[page.id] = {stage: {**said, "n": 0} for stage, said in told.items()}
            return dict(self._said[page.id])

    def curves(self, page: ShelfPage, x: float, y: float, within_mm: float) -> CurvesPiece:
        """Return the curves of a small piece of the ink, as close to its edge as asked.

        Raises:
            UsageError: ``within_mm`` makes no sense.
            LookupError: there is no ink yet.
        """
        with self._lock:
            ink = self._said[page.id]["ink"]
        check_settings(replace(Settings(), within_mm=within_mm))
        coverage = pictures.read_whole(self.picture(page, ink["picture"]))
        return curves_near(coverage, ink["px_per_mm"], x, y, within_mm)

    def picture(self, page: ShelfPage, name: str) -> Path:
        """Return the folder of one of the page's pictures.

        Raises:
            LookupError: there is none of that name.
        """
        found = self.folder(page) / "pictures"
        if name not in {path.name for path in found.glob("*-*")}:
            raise LookupError
        return self.folder(page) / "pictures" / name

    def taken(self, page: ShelfPage, name: str) -> Path:
        """Return one of the files made to be fetched.

        Raises:
            LookupError: there is none of that name.
        """
        with self._lock:
            taken = self._said.get(page.id, {}).get("taken")
        if taken is None or name not in {f["name"] for f in (*taken["files"], taken["zip"])}:
            raise LookupError
        use = str(taken["use"])
        return self.folder(page) / "take" / use.replace(" ", "-") / name

    def _leave_ticket(self, word: str) -> None:
        """Leave the ticket of what was fetched beside the photo, for the command line."""
        with suppress(InputError, OSError, LookupError, InkcleanError):
            page = self.shelf.page(word)
            made = self.taken(page, page.name + TICKET)
            with placed(self.ticket_path(page), True) as draft:
                shutil.copyfile(made, draft)


def _dabs(hints: Hints) -> tuple[Dab, ...]:
    """Return a dab for each colour that a ticket gives, at one of its points."""
    found: list[Dab] = []
    for number, colour in enumerate(hints.colours):
        x, y = hints.points[hints.dab == number][0]
        dab = (float(x), float(y), as_hex(colour), hints.names[number])
        refers_to = hints.book[number] if hints.book else ""
        found.append((*dab, refers_to) if refers_to else dab)
    return tuple(found)
