"""Photos and results at addresses (``s3://…``, ``sftp://…``, any that fsspec knows).

A page is brought here, cleaned in a folder of its own and its results are sent, the ticket
last. While they are sent a marker lies beside them: whoever finds one knows that what stands
there is the unfinished work of a run cut short, and sends it again.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path, PurePosixPath
from typing import Any

from inkclean.base.errors import InkcleanError, InputError, OutputError, UsageError
from inkclean.jobs.batch import Job, Outcome, clean_file, need_of
from inkclean.jobs.inputs import PICTURES, SEVERAL_PAGES, is_result_name
from inkclean.jobs.reports import Report
from inkclean.jobs.results import ENDINGS, Evening, Order

_SENDING = ".sending"


def is_address(text: str) -> bool:
    """Tell whether an input is an address and not a path of this machine."""
    return "://" in text


@dataclass(frozen=True)
class RemoteJob:
    """One photo at an address, the address of the folder for its results, what is made of it."""

    source: str
    place: str
    order: Order
    replace: bool
    evening: tuple[tuple[int, Evening], ...] = ()

    @property
    def name(self) -> str:
        """What to call the file in a line of progress."""
        return PurePosixPath(self.source).name

    def evened(self, evening: Mapping[int, Evening]) -> RemoteJob:
        """Return the job with the lines that its pages get for the book."""
        return replace(self, evening=tuple(evening.items()))

    def need_mb(self) -> float:
        """Return the memory in MB that a page is taken to need: its header is far away."""
        return need_of(None, self.order)

    def megapixels(self) -> float:
        """Return how many megapixels a page is taken to have: its header is far away."""
        return 12.0

    def run(self) -> Outcome:
        """Bring the photo, clean it, send the results; a failure is told in the outcome."""
        try:
            with tempfile.TemporaryDirectory(prefix="inkclean-") as folder:
                return self._run(Path(folder))
        except InkcleanError as error:
            return Outcome(self.source, (), str(error), error.exit_code)

    def _run(self, folder: Path) -> Outcome:
        photo, results = folder / "photo" / self.name, folder / "results"
        photo.parent.mkdir()
        results.mkdir()
        with _reading(self.source) as (files, path):
            files.get_file(path, str(photo))
        ours = self._bring(results, photo)
        job = Job(
            photo, results, self.order, self.replace or ours, evening=self.evening, passing=True
        )
        outcome = clean_file(job)
        reports: list[Report] = []
        for report in outcome.reports:
            if ours or not report.done_before:
                self._send(report.outputs)
            sent = {kind: f"{self.place}/{Path(at).name}" for kind, at in report.outputs.items()}
            reports.append(replace(report, input=self.source, outputs=sent))
        error = outcome.error
        if error is not None:
            error = error.replace(str(photo), self.source).replace(str(results), self.place)
        return Outcome(self.source, tuple(reports), error, outcome.exit_code, outcome.work)

    def _bring(self, results: Path, photo: Path) -> bool:
        """Bring the results that stand there; True if they are those of a run cut short."""
        ours = False
        with _reading(self.place) as (files, path):
            for name in _names(files, path, photo):
                ours |= files.exists(f"{path}/.{name}{_SENDING}")
                for ending in ENDINGS.values():
                    if files.exists(f"{path}/{name}{ending}"):
                        files.get_file(f"{path}/{name}{ending}", str(results / (name + ending)))
        return ours

    def _send(self, outputs: Mapping[str, str]) -> None:
        ticket = Path(outputs["ticket"])
        name = ticket.name.removesuffix(ENDINGS["ticket"])
        with _writing(self.place) as (files, path):
            files.makedirs(path, exist_ok=True)
            marker = f"{path}/.{name}{_SENDING}"
            files.pipe_file(marker, b"")
            results = [Path(at) for kind, at in outputs.items() if kind != "ticket"]
            for result in (*results, ticket):
                final = f"{path}/{result.name}"
                files.put_file(str(result), f"{final}.part")
                files.mv(f"{final}.part", final)
            files.rm_file(marker)


def _names(files: Any, path: str, photo: Path) -> Iterator[str]:
    """Yield the names of results that may stand: ``NAME``, and ``NAME-1`` … of several pages."""
    yield photo.stem
    if photo.suffix.lower() not in SEVERAL_PAGES:
        return
    for number in count(1):
        name = f"{photo.stem}-{number}"
        marked = files.exists(f"{path}/.{name}{_SENDING}")
        if not marked and not files.exists(f"{path}/{name}{ENDINGS['ticket']}"):
            return
        yield name


def gather_remote(addresses: Sequence[str]) -> list[str]:
    """Return the addresses of pictures; those that end in ``/`` stand for the pictures there.

    Raises:
        InputError: a folder cannot be listed or holds no pictures.
    """
    found: list[str] = []
    for address in addresses:
        if not address.endswith("/"):
            found.append(address)
            continue
        with _reading(address) as (files, path):
            names = sorted(PurePosixPath(name).name for name in files.ls(path, detail=False))
        held = [
            name
            for name in names
            if PurePosixPath(name).suffix.lower() in PICTURES
            and not name.startswith(".")
            and not is_result_name(name, names)
        ]
        if not held:
            raise InputError(
                f"{address} holds no photos; give a folder with JPEG, PNG or TIFF files"
            )
        found += [f"{address.rstrip('/')}/{name}" for name in held]
    return list(dict.fromkeys(found))


def read_bytes(address: str) -> bytes:
    """Return the bytes at an address or path; empty where there is nothing."""
    try:
        if not is_address(address):
            return Path(address).read_bytes()
        with _reading(address) as (files, path):
            return bytes(files.cat_file(path))
    except (InkcleanError, OSError):
        return b""


def _filesystem(address: str) -> tuple[Any, str]:
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise UsageError(
            f"{address} is an address, which needs more: run pip install 'inkclean[cluster]'"
        ) from error
    try:
        files, path = url_to_fs(address)
    except Exception as error:  # each kind of address fails in its own way
        raise InputError(f"{address} cannot be reached ({_why(error)})") from error
    return files, path.rstrip("/")


@contextmanager
def _reading(address: str) -> Iterator[tuple[Any, str]]:
    files, path = _filesystem(address)
    try:
        yield files, path
    except Exception as error:  # as above
        raise InputError(f"{address} could not be read ({_why(error)})") from error


@contextmanager
def _writing(address: str) -> Iterator[tuple[Any, str]]:
    files, path = _filesystem(address)
    try:
        yield files, path
    except Exception as error:  # as above
        raise OutputError(f"{address} could not be written ({_why(error)})") from error


def _why(error: Exception) -> str:
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return " ".join(str(text).split())[:200]
