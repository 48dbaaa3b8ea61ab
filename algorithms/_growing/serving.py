"""The loop of the growing map: messages go before drawing, so that the newest is drawn first."""

from __future__ import annotations

import os
import queue
import threading
import time
import traceback
from contextlib import suppress

from .frames import HELLO, read_frame, write_frame
from .map_work import PACE_S, MapWork


def serve(inputs, outputs) -> None:
    """Answer messages from one stream on another until the first ends."""
    with suppress(AttributeError, OSError):
        os.nice(5)  # the window goes before the map
    messages = queue.Queue()
    threading.Thread(target=_read, args=(inputs, messages), daemon=True).start()
    with suppress(BrokenPipeError):
        write_frame(outputs, HELLO)
        run(messages, lambda message: write_frame(outputs, message))


def run(messages: queue.Queue, send) -> None:
    """Take messages from a queue until ``("stop",)``, and send what comes of them."""
    work = MapWork(messages.put)
    while True:
        answers, began = [], time.monotonic()
        try:
            message = messages.get(timeout=None if work.is_idle else 0.0)
            if message[0] == "stop":
                return
            answers = work.take(message)
        except queue.Empty:
            answers = _guarded(work.step)
        except Exception:
            answers = [("failed", traceback.format_exc())]
        for answer in answers:
            send(answer)
        if any(answer[0] == "picture" for answer in answers):
            # What comes meanwhile is drawn together.
            _wait(messages, PACE_S / 2.0 - (time.monotonic() - began))


def _guarded(do):
    try:
        return do()
    except Exception:
        return [("failed", traceback.format_exc())]


def _wait(messages, seconds):
    """Wait, but not where a message waits already."""
    until = time.monotonic() + seconds
    while messages.empty() and time.monotonic() < until:
        time.sleep(0.01)


def _read(stream, messages):
    try:
        while True:
            messages.put(read_frame(stream))
    except EOFError:
        pass
    except Exception:
        traceback.print_exc()  # what cannot be read comes from another version
    messages.put(("stop",))
