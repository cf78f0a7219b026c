"""Coverage-guided fuzzing: ``python -m tests.fuzz read|ticket SECONDS [CORPUS]``.

Needs ``pip install -e '.[fuzz]'``. Starts from the zoo and prints how many inputs were tried;
an input that breaks a promise is left as ``crash-…`` in the folder one stands in.
"""

from __future__ import annotations

import sys
import tempfile
import warnings
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["inkclean", "PIL", "json"]):
    from tests.fuzz import targets

from tests.zoo import animals


def seeds(kind: str, folder: Path) -> None:
    """Fill the corpus with the zoo, or with a ticket."""
    if kind == "read":
        for number, format_ in enumerate(animals.FORMATS):
            (folder / f"whole{number}").write_bytes(_small(format_))
        for number, make in enumerate((animals.USED | animals.REFUSED).values()):
            with tempfile.TemporaryDirectory() as place:
                data = make(Path(place)).read_bytes()
            if len(data) < 20_000:
                (folder / f"zoo{number}").write_bytes(data)
        return
    from inkclean.jobs.ticket import Ticket, ticket_text
    from inkclean.settings import Settings

    plain = Ticket("page.jpg", "0" * 64, 1, Settings(), {"ink": {"weight": 0.5}})
    (folder / "plain").write_text(ticket_text(plain), "utf-8")


def _small(format_: str) -> bytes:
    import io

    if format_ == "HEIF":
        animals.encoded(format_)  # makes Pillow know the format
    buffer = io.BytesIO()
    animals.page().resize((40, 56)).save(buffer, format_)
    return buffer.getvalue()


def main() -> None:
    """Fuzz one target for a while."""
    kind, seconds = sys.argv[1], int(sys.argv[2])
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as place:
        corpus = Path(sys.argv[3]) if len(sys.argv) > 3 else Path(place)
        corpus.mkdir(exist_ok=True)
        seeds(kind, corpus)
        words = [sys.argv[0], f"-max_total_time={seconds}", "-rss_limit_mb=2000", "-timeout=20"]
        words += ["-max_len=20000", "-print_final_stats=1", "-verbosity=0", str(corpus)]
        target = {"read": targets.read, "ticket": targets.ticket}[kind]
        atheris.Setup(words, lambda data: target(data) and None)
        atheris.Fuzz()


main()
