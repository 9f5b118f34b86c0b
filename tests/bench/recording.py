"""What recording and previewing cost, as shares of a bare handler of the same app: one worker, 32
connections.

The bare handler decodes the same case and answers a constant. All are asked in turns in one run over
loopback, because a shared machine's own speed wanders. The service remembers answers, so it is asked the same
case again and again, and cases that are all different; those also with full readings and oil results, of a
pure refrigerant and of a blend.
"""

import statistics
from collections.abc import Iterator

from tests.bench import load
from tests.bench.cases import BLEND, PLAIN, PURE, bodies, one_body
from tests.bench.figure import Figure, Rule, Sizes, of_two
from tests.bench.load import Requests, request
from tests.bench.stage import running_service, where

CONNECTIONS = 32
BARE, RECORD, PREVIEW = "/bare", "/v1/classifications", "/v1/classifications/preview"
WANTED: dict[str, tuple[Rule, float] | None] = {
    "recorded, all different": ("at least", 0.45),
    "recorded, readings, pure refrigerant": ("at least", 0.25),
    "recorded, readings, blend": ("at least", 0.25),
    "recorded, the same case": None,
    "preview, all different": None,
}


def measure(sizes: Sizes) -> Iterator[Figure]:
    """Five figures, of one run."""
    with running_service() as service:

        def asked(path: str, sent: list[bytes]) -> Requests:
            return Requests([request(path, body, service.secret) for body in sent])

        plain = bodies(PLAIN)
        requests = {
            BARE: asked(BARE, plain),
            "recorded, all different": asked(RECORD, plain),
            "recorded, readings, pure refrigerant": asked(RECORD, bodies(PURE)),
            "recorded, readings, blend": asked(RECORD, bodies(BLEND)),
            "recorded, the same case": asked(RECORD, [one_body()]),
            "preview, all different": asked(PREVIEW, plain),
        }
        found: dict[str, list[float]] = {name: [] for name in requests}
        used: dict[str, list[float]] = {name: [] for name in requests}
        for turn in range(sizes.rounds + 1):
            for name, one in requests.items():
                before = service.processor_seconds()
                each = one.rate(
                    service.host,
                    service.port,
                    connections=CONNECTIONS,
                    seconds=sizes.seconds if turn else 1,
                )
                # The first of all is no round: what is loaded at the first request is no part of it.
                if turn:
                    found[name].append(each.a_second)
                    used[name].append((service.processor_seconds() - before) / each.answered * 1e6)
    for name, wanted in WANTED.items():
        yield of_two(
            name,
            "of the bare handler",
            ("answers a second", found[name]),
            ("bare handler", found[BARE]),
            wanted=wanted,
            beside={
                "us of processor an answer": statistics.median(used[name]),
                "bare": statistics.median(used[BARE]),
            },
            how=f"{CONNECTIONS} connections, {sizes.seconds:g} s a round, {load.how()}, {where()}",
        )
