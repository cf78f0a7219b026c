"""Where the time of a run went, as a trace that viewers of trace events open.

The format is the JSON object of the Trace Event Format: complete events, phase ``X``, with
start and length in microseconds, in rows of processes, whose names metadata events give.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from inkclean import __version__
from inkclean.deliver.files import begins_with, check_free, placed
from inkclean.jobs.batch import Work

KIND = "inkclean timings"


def trace_events(works: Iterable[Work]) -> dict[str, Any]:
    """Return the trace: a row a process, an event a page, within it one a stage."""
    works = [work for work in works if work.spans]
    origin = min((span.start for work in works for span in work.spans), default=0.0)
    rows = {work.process: 0 for work in works}
    rows = {process: number for number, process in enumerate(sorted(rows), 1)}
    events: list[dict[str, Any]] = [
        {"name": "process_name", "ph": "M", "pid": row, "tid": 1, "args": {"name": process}}
        for process, row in rows.items()
    ]
    for work in works:
        begin = min(span.start for span in work.spans)
        end = max(span.start + span.seconds for span in work.spans)
        row = rows[work.process]
        events.append(_event(work.page, "page", begin - origin, end - begin, row, work.page))
        events += [
            _event(span.stage, "stage", span.start - origin, span.seconds, row, work.page)
            for span in work.spans
        ]
    return {
        "displayTimeUnit": "ms",
        "otherData": {"kind": KIND, "version": __version__},
        "traceEvents": events,
    }


def _event(
    name: str, kind: str, start: float, seconds: float, row: int, page: str
) -> dict[str, Any]:
    return {
        "name": name,
        "cat": kind,
        "ph": "X",
        "ts": round(start * 1e6),
        "dur": round(seconds * 1e6),
        "pid": row,
        "tid": 1,
        "args": {"page": page},
    }


def write_timings(works: Iterable[Work], path: Path, replace: bool) -> None:
    """Write the trace; a trace of an earlier run is always replaced.

    Raises:
        OutputError: another file stands at ``path``, or it cannot be written.
    """
    with placed(path, replace or is_timings(path)) as draft:
        draft.write_text(json.dumps(trace_events(works), ensure_ascii=False, indent=1), "utf-8")


def check_timings(path: Path, replace: bool) -> None:
    """Refuse a place where the trace may not go, before any work is done.

    Raises:
        OutputError: something else stands there.
    """
    check_free(path, replace or is_timings(path))


def is_timings(path: Path) -> bool:
    """Tell whether a file is a trace that this program wrote."""
    return begins_with(path, KIND)
