"""One clip in, one row out; many clips in, their rows in the same order, over the cores of one machine.

A row is text: what goes to the answer, what goes to the complaints, and the exit code. Nothing heavy crosses
between processes, and only a few clips are under way at once, so memory does not grow with their number.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import traceback
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from audiodiag.errors import AudiodiagError

__all__ = ["BAD_INPUT", "CANNOT_TELL", "DIAGNOSIS", "FAULT", "Request", "Row", "row_of", "rows_in_order"]

DIAGNOSIS, FAULT, BAD_INPUT, CANNOT_TELL = 0, 1, 2, 3
"""Exit codes: a diagnosis; a fault of the program; bad input; an answer that is no diagnosis."""
THREAD_SETTINGS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
"""Settings of the environment that keep one worker to one core."""
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Request:
    """What is wanted of every clip.

    ``settings`` go to ``analyse`` by name. ``analyse`` may be another function of the same form, which must
    be importable by name where several clips are given; None takes `audiodiag.analysis.analyse`.
    """

    json: bool = False
    quiet: bool = False
    out: str | None = None
    width: int = 80
    colour: bool = False
    settings: dict[str, Any] = field(default_factory=dict)
    analyse: Callable[..., Any] | None = None


@dataclass(frozen=True)
class Row:
    """What one clip gave: text for the answer, text for the complaints, and the exit code."""

    output: str
    complaint: str
    exit_code: int


def row_of(clip: str, request: Request, progress: Progress | None = None) -> Row:
    """Analyse one clip and word the answer; a bad clip gives a row too, so that rows keep their order.

    A complaint starts with the clip's name where it does not hold it anyway.
    """
    try:
        return _answer(clip, request, progress)
    except AudiodiagError as error:
        named = "." in clip and _printable(clip) in str(error)
        return _refusal(
            clip, request, error, f"{'audiodiag' if named else _printable(clip)}: {error}\n", BAD_INPUT
        )
    except Exception as fault:
        reason = f"{type(fault).__name__}: {fault}"
        return _fault(clip, request, reason, traceback.format_exc())


def rows_in_order(
    clips: Sequence[str], request: Request, *, workers: int | None = None
) -> Generator[Row, None, None]:
    """Give the row of every clip in the order of the clips.

    ``workers``: processes at once; without it as many as cores or clips, whichever is less. With one worker
    the clips are analysed in this process, one after the other.
    """
    workers = min(workers or os.cpu_count() or 1, len(clips))
    if workers <= 1:
        yield from (row_of(clip, request) for clip in clips)
        return
    with _one_thread_each():
        yield from _pooled(deque(clips), request, workers)


def _pooled(waiting: deque[str], request: Request, workers: int) -> Iterator[Row]:
    under_way: deque[tuple[str, Future[Row]]] = deque()
    pool = _new_pool(workers)
    finished = False
    try:
        while waiting or under_way:
            while waiting and len(under_way) < 2 * workers:
                clip = waiting.popleft()
                under_way.append((clip, _submit(pool, clip, request)))
            clip, future = under_way.popleft()
            try:
                yield future.result()
            except BrokenProcessPool:
                waiting.extendleft(name for name, _ in reversed(under_way))
                under_way.clear()
                pool.shutdown()
                yield _alone(clip, request)
                pool = _new_pool(workers)
        finished = True
    finally:
        if not finished:
            for process in multiprocessing.active_children():
                process.terminate()
        pool.shutdown(wait=finished, cancel_futures=True)


def _new_pool(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))


def _submit(pool: ProcessPoolExecutor, clip: str, request: Request) -> Future[Row]:
    """Hand a clip to the pool; a worker that starts now does not get Ctrl-C, this process stops it."""
    with _held_interrupt():
        return pool.submit(row_of, clip, request)


def _alone(clip: str, request: Request) -> Row:
    """Try a clip again in a process of its own after a worker died, to know whether it was this clip."""
    with _new_pool(1) as pool:
        try:
            return _submit(pool, clip, request).result()
        except BrokenProcessPool:
            return _fault(clip, request, "the process was ended from outside, perhaps for want of memory", "")


@contextmanager
def _held_interrupt() -> Iterator[None]:
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    before = {name: os.environ.get(name) for name in THREAD_SETTINGS}
    os.environ.update(dict.fromkeys(THREAD_SETTINGS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _answer(clip: str, request: Request, progress: Progress | None) -> Row:
    analysis = (request.analyse or _analyse)(clip, progress=progress, **request.settings)
    if request.out is not None:
        _write(clip, analysis, Path(request.out))
    if request.json:
        from audiodiag.report.jsonform import analysis_to_json_line

        output = analysis_to_json_line(analysis, file=clip) + "\n"
    else:
        from audiodiag.report.text import text_report, verdict_line

        if request.quiet:
            output = verdict_line(analysis)
        else:
            output = text_report(analysis, width=request.width, colour=request.colour)
    told = analysis.verdict.kind in ("symptoms", "normal")
    return Row(output, "", DIAGNOSIS if told else CANNOT_TELL)


def _analyse(clip: str, **settings: Any) -> Any:
    """Load the pipeline only when a clip is there to be analysed."""
    from audiodiag.analysis import analyse

    return analyse(clip, **settings)


def _write(clip: str, analysis: Any, folder: Path) -> None:
    from audiodiag.files import write_bytes_whole, write_text_whole
    from audiodiag.report.figures import picture_png
    from audiodiag.report.jsonform import analysis_to_json_line

    stem = Path(clip).stem
    # the larger first: where there is no room for both, none is left
    write_bytes_whole(folder / f"{stem}.png", picture_png(analysis))
    write_text_whole(folder / f"{stem}.json", analysis_to_json_line(analysis, file=clip) + "\n")


def _refusal(clip: str, request: Request, error: AudiodiagError, complaint: str, exit_code: int) -> Row:
    if not request.json:
        return Row("", complaint, exit_code)
    from audiodiag.report.jsonform import refusal_to_dict, to_json_line

    return Row(to_json_line(refusal_to_dict(error, file=clip)) + "\n", complaint, exit_code)


def _fault(clip: str, request: Request, reason: str, details: str) -> Row:
    error = AudiodiagError(
        "the program itself failed on this clip",
        got=reason,
        allowed="any clip",
        todo="keep the clip and report the fault; the other clips are not affected",
    )
    return _refusal(clip, request, error, f"{details}{_printable(clip)}: {error}\n", FAULT)


def _printable(text: str) -> str:
    return "".join(sign if sign.isprintable() else "?" for sign in text)
