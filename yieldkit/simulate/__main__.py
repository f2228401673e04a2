"""Make the demo crew's folder: ``python -m yieldkit.simulate demo FOLDER``."""

from __future__ import annotations

import sys


def main(words: list[str]) -> int:
    """Run the command; 2 for wrong use."""
    if len(words) != 2 or words[0] != "demo":
        print("use: python -m yieldkit.simulate demo FOLDER", file=sys.stderr)
        return 2
    from yieldkit.simulate.demo import SEED, write_demo

    counts = write_demo(words[1])
    files = sum(not name.startswith("_") for name in counts)
    print(f"{files} files of the demo crew (all invented, seed {SEED}) are in {words[1]}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
