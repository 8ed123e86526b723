"""How every fuzzer here runs: fresh examples until the time given is over, each within three seconds, all of them counted."""

import os
import sys
import time

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.support.measured_once import anew

SECONDS = float(os.environ.get("TILLERLENS_FUZZ_SECONDS", "2"))
"""How long each fuzzer looks. Two seconds in the quick tests, more in ``.ci/run``, 600 for the long run."""

SEED = int(os.environ.get("TILLERLENS_FUZZ_SEED", "20261126"))
"""The first batch's seed; the same seed tries the same examples."""

BATCH = 100
SLOWEST_S = 3.0
"""What a person waits for an answer; an example that takes longer is a fault."""


def try_out(name, strategy, check, least=1, seconds=SECONDS, batch=BATCH):
    """Call ``check`` with examples of ``strategy`` for ``seconds``; a fault is shrunk and raised by hypothesis.

    least: fewest examples tried, whatever the time. Prints how many were tried and the slowest. Returns their number.
    """
    tried, slowest, slow = 0, 0.0, ""

    def timed(example):
        nonlocal tried, slowest, slow
        began, worked = time.perf_counter(), time.process_time()
        with anew():  # a network's pass remembered would take no time
            check(example)
        # others at work on the machine hold everything up: what counts is the smaller of both
        took = min(time.perf_counter() - began, time.process_time() - worked)
        took /= max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))  # two on one core's caches are slower by processor time too
        tried += 1
        if took > slowest:
            slowest, slow = took, repr(example)[:1500]

    end, at = time.monotonic() + seconds, SEED
    while tried < least or time.monotonic() < end:
        trial = given(strategy)(timed)
        trial = settings(
            max_examples=batch,
            deadline=None,
            database=None,
            phases=[Phase.generate, Phase.shrink],
            suppress_health_check=list(HealthCheck),
            print_blob=True,
        )(trial)
        before = tried
        seed(at)(trial)()
        assert tried > before, "the examples have run out"
        at += 1
    assert slowest < SLOWEST_S, f"{slowest:.1f} s for {slow}"  # told at the end: shrinking it would take hours
    print(f"\nfuzz {name}: {tried} examples, slowest {slowest:.2f} s, seeds {SEED} to {at - 1}", file=sys.stderr)
    return tried
