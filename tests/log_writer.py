"""A process that writes to a log until it is done or killed: python -m tests.log_writer LOG FIRST COUNT."""

from __future__ import annotations

import sys

from tests.made_log import made_entry, made_log_at


def main() -> None:
    path, first, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    print("ready", flush=True)
    sys.stdin.readline()
    with made_log_at(path) as log:
        for number in range(first, first + count):
            entry = made_entry(number)
            log.add(entry)
            print(entry.sha256, flush=True)


if __name__ == "__main__":
    main()
