# SPDX-License-Identifier: GPL-3.0-or-later
"""Attacks the add-on with random input: whatever comes, it makes something sound of it or refuses it in a sentence.

    python3 scripts/attack.py [NAME ...] [--seed N] [--count N] [--seconds N]

An attack is a module in scripts/attacks with ``attack(seed, count)``, which tries so many cases, returns what they came
to, and raises if one of them fails. ``CHUNK`` cases are tried at a time, within ``LIMIT_S`` seconds.
"""

from __future__ import annotations

import argparse
import importlib
import os
import signal
import subprocess
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from _environment import REPOSITORY, enter, guarded

ATTACKS = Path(__file__).parent / "attacks"


def main() -> int:
    known = sorted(path.stem for path in ATTACKS.glob("*.py") if not path.stem.startswith("_"))
    parser = argparse.ArgumentParser(description="Attack the add-on with random input.")
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"attacks (default: all of {', '.join(known)})")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="of the first case (0)")
    parser.add_argument("--count", type=int, default=200, metavar="N", help="cases of each attack (200)")
    parser.add_argument("--seconds", type=float, default=600.0, metavar="N", help="the most for each attack (600)")
    options = parser.parse_args()
    names = options.names or known
    unknown = sorted(set(names) - set(known))
    if unknown:
        parser.error(f"no attack named {', '.join(unknown)}; there are {', '.join(known)}")
    enter("test")
    if len(names) == 1:
        return attacked(names[0], options.seed, options.count, options.seconds)
    limits = [f"--{name}={getattr(options, name)}" for name in ("seed", "count", "seconds")]

    def in_process(name: str) -> int:
        return subprocess.run([sys.executable, __file__, name, *limits]).returncode

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return max(pool.map(in_process, names))


def attacked(name: str, seed: int, count: int, seconds: float) -> int:
    """Runs one attack and shows what came of it; 1 if a case failed."""
    sys.path.append(str(REPOSITORY / "tests"))
    module = importlib.import_module(f"attacks.{name}")
    started, tried, failed = time.monotonic(), 0, 0
    tally: Counter[str] = Counter()
    while tried < count and time.monotonic() - started < seconds:
        chunk = min(module.CHUNK, count - tried)
        try:
            tally += _within(module.LIMIT_S, module.attack, seed + tried, chunk)
        except Exception:
            traceback.print_exc()
            print(f"Again: python3 scripts/attack.py {name} --seed {seed + tried} --count {chunk}", flush=True)
            failed += 1
        tried += chunk
    outcomes = ", ".join(f"{number:,} {outcome}" for outcome, number in tally.most_common())
    took = time.monotonic() - started
    print(f"{name}: {tried:,} tried in {took:.0f} s from seed {seed}; {outcomes}; {failed} failed", flush=True)
    return int(failed > 0)


class TimeUpError(Exception):
    """A case takes too long."""


def _within(limit_s: float, attack: Callable[[int, int], Counter[str]], seed: int, count: int) -> Counter[str]:
    def stop(*_: object) -> None:
        raise TimeUpError(f"longer than {limit_s:g} s")

    signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, limit_s)
    try:
        return attack(seed, count)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)


if __name__ == "__main__":
    sys.exit(guarded(main))
