"""A terminal whose plug is pulled again and again.

`python -m tests.journeys.plugged HOME ADDRESS KEY STAGE ACKS TIMES SEED`. Each life of it enters rising totals in the
spool and lines of the stage's log between them, writes what it was told is kept to the file ACKS, and sends now and
then over a network that loses answers, until SIGKILL ends it at a moment nobody chose. Forked, because a life is
shorter than Python takes to start.
"""

import math
import os
import random
import secrets
import signal
import sys
import time
from contextlib import suppress
from pathlib import Path

import httpx

from service.terminal import clocks
from service.terminal.doors import Door
from service.terminal.sending import Sender
from service.terminal.spool import Kind, Said, Spool
from service.terminal.troubles import NoAnswer
from service.terminal.wire import TODAY

SEND_EVERY = 3
LINE_EVERY = 10
LOST = 0.2
FIRST_COUNTS = 30
# A life begins with opening the spool, and some end in that.
STILLBORN = 0.2


class LosesAnswers(httpx.HTTPTransport):
    """A network that delivers every request, and loses one answer in five."""

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        answer = super().handle_request(request)
        if secrets.randbelow(100) < LOST * 100:
            answer.close()
            raise httpx.ReadError("the network went away")
        return answer


def live(spool_path: Path, door: Door, acks: int, *, stage: str, born: int, counts: float = math.inf) -> None:
    """Count so often, or until the end."""
    with Spool(spool_path) as spool:
        sender = Sender(spool, door, stage="", clock=clocks.now)
        os.write(born, b".")
        while counts > 0:
            counts -= 1
            # Rising, and such as no later life says of the same serial.
            total = spool.last_serial * 1000 + secrets.randbelow(1000)
            moment = clocks.now()
            if spool.last_serial % LINE_EVERY == 0:
                kind = TODAY.signals[spool.last_serial // LINE_EVERY % len(TODAY.signals)]
                said = Said.now(Kind.LOG, {"kind": kind, "stage": stage, "reason": str(total)}, moment)
            else:
                content = {"production": "p", "shot": "plugged", "take": 1, "captures_total": total}
                said = Said.now(Kind.COUNT, content, moment, series="plugged")
            (serial,) = spool.enter(said, now=moment.wall)
            os.write(acks, f"{serial} {total}\n".encode())
            if serial % SEND_EVERY == 0:
                with suppress(NoAnswer):
                    sender.send()


def main() -> None:
    """Live and die so many times."""
    home, address, key, stage, acks_path, times, seed = sys.argv[1:]
    chance = random.Random(seed)
    acks = os.open(acks_path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    spool_path = Path(home) / "spool.db"
    birth, born = os.pipe()
    # How long a life is, in what it gets done, must not depend on how busy the machine is.
    with Door(address, key) as door:
        began = time.perf_counter()
        live(spool_path, door, acks, stage=stage, born=born, counts=FIRST_COUNTS)
        longest_life_s = (time.perf_counter() - began) / FIRST_COUNTS * SEND_EVERY
    os.read(birth, 1)
    # Never opened here, so that each life opens a connection of its own.
    door = Door(address, key, transport=LosesAnswers())
    for _ in range(int(times)):
        child = os.fork()
        if child == 0:
            try:
                live(spool_path, door, acks, stage=stage, born=born)
            finally:
                # Any end but the one from outside is a failure.
                os._exit(1)
        if chance.random() > STILLBORN:
            os.read(birth, 1)
        time.sleep(chance.uniform(0, longest_life_s))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        if not os.WIFSIGNALED(status):
            sys.exit("a life ended by itself")
        drain(birth)


def drain(birth: int) -> None:
    """Take the births that nobody waited for."""
    os.set_blocking(birth, False)
    with suppress(BlockingIOError):
        os.read(birth, 100)
    os.set_blocking(birth, True)


if __name__ == "__main__":
    main()
