"""
Damaged photo files, read by the hundred: ``python -m tests.mutate N [--scan] [FOLDER ...]`` prints a table.

Photos of known truth are written as JPEG, PNG, HEIC, TIFF and WebP and damaged; with ``--scan`` only the scans of JPEGs
are. Nothing but a reading or a refusal may come of them, in time and in bounded memory, and no reading may miss the
truth where that of the sound photo does not. FOLDER holds photos as for `tests.benchmark`, ``sample_images`` where none
is named. The exit code is 1 where anything is wrong.
"""

from __future__ import annotations

import io
import random
import re
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import pillow_heif
from PIL import Image
from rich.console import Console
from rich.table import Table

from colorread.reading.pipeline import read_photo
from colorread.workers import processors, run_in_workers
from tests.benchmark import ROOT, Truth, load_truths

_Damage = Callable[[random.Random, bytes, int], bytes]
FORMATS = ("JPEG", "PNG", "HEIF", "TIFF", "WEBP")
MISS_PH, SLOW_S, HEAVY_MB = 0.1, 10.0, 600.0  # of processor time
# HEIC is written eight times as fast with these, and as large.
_OPTIONS: dict[str, dict[str, Any]] = {
    "WEBP": {"quality": 90},
    "HEIF": {"quality": 90, "enc_params": {"preset": "ultrafast", "x265:pools": "none"}},
}
_LONG_SIDE_PX = 1200  # of what is not the photo as it is: small enough to be written and read by the hundred


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """A damaged file of a photo of known truth."""

    truth: Truth
    format: str
    damage: str
    seed: int

    def data(self) -> bytes:
        """Return its bytes, always the same."""
        rng = random.Random(self.seed)
        whole = as_format(self.truth.path, self.format)
        start = whole.index(b"\xff\xda") + 14 if self.damage.startswith("scan") else 0
        return DAMAGES[self.damage](rng, whole, start)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fate:
    """What became of a mutant; `beyond_ph` is how far the truth lies outside of its interval, None where refused."""

    code: str
    beyond_ph: float | None
    seconds: float
    peak_mb: float
    flags: tuple[str, ...] = ()


@lru_cache(maxsize=16)  # what it holds counts as memory of the reader in the same process
def as_format(path: Path, format_name: str) -> bytes:
    """Return a photo in a format; a JPEG as it is."""
    if format_name == "JPEG":
        return path.read_bytes()
    pillow_heif.register_heif_opener()
    with Image.open(path) as image:
        info = {name: image.info[name] for name in ("icc_profile", "exif") if name in image.info}
        image.thumbnail((_LONG_SIDE_PX, _LONG_SIDE_PX))
        file = io.BytesIO()
        image.save(file, format_name, **info, **_OPTIONS.get(format_name, {}))
    return file.getvalue()


def _place(rng: random.Random, data: bytes, start: int, length: int = 1) -> int:
    return rng.randrange(start, max(len(data) - length, start + 1))


def _flip_bit(rng: random.Random, data: bytes, start: int) -> bytes:
    at = _place(rng, data, start)
    return data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]


def _few_bytes(rng: random.Random, data: bytes, start: int) -> bytes:
    for _ in range(rng.randint(1, 8)):
        at = _place(rng, data, start)
        data = data[:at] + rng.randbytes(1) + data[at + 1 :]
    return data


def _block(lengths: Sequence[int], changed: Callable[[random.Random, bytes], bytes]) -> _Damage:
    """Return the damage that replaces a block of one of these lengths."""

    def damage(rng: random.Random, data: bytes, start: int) -> bytes:
        length = rng.choice(lengths)
        at = _place(rng, data, start, length)
        return data[:at] + changed(rng, data[at : at + length]) + data[at + length :]

    return damage


def _other_sector(rng: random.Random, data: bytes, start: int) -> bytes:
    """A block of a disk holds another part of the file."""
    length = 4096
    at, other = (_place(rng, data, start, length) // 512 * 512 for _ in range(2))
    return data[:at] + data[other : other + length] + data[at + length :]


def _cut_off(rng: random.Random, data: bytes, start: int, *, filled: bool = False) -> bytes:
    at = _place(rng, data, start)
    return data[:at] + bytes(len(data) - at if filled else 0)


_EVERYWHERE: dict[str, _Damage] = {
    "bit": _flip_bit,
    "bytes": _few_bytes,
    "zeros": _block((4, 64, 512, 4096), lambda rng, block: bytes(len(block))),
    "noise": _block((4, 64, 512, 4096), lambda rng, block: rng.randbytes(len(block))),
    "left out": _block((1, 16, 512, 4096), lambda rng, block: b""),
    "twice": _block((1, 16, 512, 4096), lambda rng, block: block + block),
    "other sector": _other_sector,
    "cut off": _cut_off,
    "cut off, filled": partial(_cut_off, filled=True),  # a download that was given its whole length at once
}


DAMAGES = _EVERYWHERE | {f"scan {name}": damage for name, damage in _EVERYWHERE.items()}


def mutants(truths: Sequence[Truth], count: int, *, scan_only: bool) -> Iterator[Mutant]:
    """Yield mutants, photos, formats and damages taking turns; the same ones each time."""
    rng = random.Random(count)
    damages = [name for name in DAMAGES if name.startswith("scan") == scan_only]
    formats = ("JPEG",) if scan_only else FORMATS
    for number in range(count):
        yield Mutant(
            truth=rng.choice(truths),
            format=formats[number % len(formats)],
            damage=damages[number // len(formats) % len(damages)],
            seed=rng.randrange(1 << 30),
        )


def fate_of(mutant: Mutant) -> Fate:
    """Read a mutant; what the sound photo in that format misses the truth by is not held against it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "photo")
        path.write_bytes(mutant.data())
        fate = fate_of_photo(mutant.truth, path)
        if (fate.beyond_ph or 0.0) <= MISS_PH:
            return fate
        path.write_bytes(as_format(mutant.truth.path, mutant.format))
        own = fate_of_photo(mutant.truth, path)
    return replace(fate, beyond_ph=max((fate.beyond_ph or 0.0) - (own.beyond_ph or 0.0), 0.0))


def fate_of_photo(truth: Truth, path: Path) -> Fate:
    """Read a photo and hold it against its truth."""
    _reset_peak()
    begun = time.process_time()
    reading = read_photo(path, kh_dkh=truth.kh_dkh, temperature_c=truth.temperature_c)
    seconds = time.process_time() - begun
    beyond = None
    if reading.ph is not None and truth.ph is not None:
        low, high = reading.ph.low, reading.ph.high
        beyond = max(low - truth.ph if low is not None else 0.0, truth.ph - high if high is not None else 0.0, 0.0)
    code = "read" if reading.reason is None else reading.reason.code
    return Fate(code=code, beyond_ph=beyond, seconds=seconds, peak_mb=_peak_mb(), flags=reading.flags)


def own_fate(truth: Truth) -> Fate:
    """Read a sound photo."""
    return fate_of_photo(truth, truth.path)


def readable(truths: Iterable[Truth]) -> list[Truth]:
    """Return the photos whose own reading holds the truth."""
    truths = [truth for truth in truths if truth.ph is not None]
    own = run_in_workers(own_fate, truths, count=processors())
    held = {done.job.path for done in own if done.result is not None and done.result.beyond_ph == 0.0}
    return [truth for truth in truths if truth.path in held]


def fates(truths: Sequence[Truth], count: int, *, scan_only: bool = False) -> Iterator[tuple[Mutant, Fate]]:
    """Read mutants, each in one of a few processes; what ends a process has a fate of its own."""
    for done in run_in_workers(fate_of, mutants(truths, count, scan_only=scan_only), count=processors()):
        yield done.job, done.result or Fate(code=f"! {done.trouble}", beyond_ph=None, seconds=0.0, peak_mb=0.0)


def faults(fate: Fate) -> list[str]:
    """Return in words what must not happen."""
    may_not = {
        fate.code: fate.code.startswith("!"),
        f"{fate.seconds:.0f} s": fate.seconds > SLOW_S,
        f"{fate.peak_mb:.0f} MB": fate.peak_mb > HEAVY_MB,
        f"misses by {fate.beyond_ph or 0.0:.2f} more": (fate.beyond_ph or 0.0) > MISS_PH,
    }
    return [words for words, happens in may_not.items() if happens]


def _reset_peak() -> None:
    with suppress(OSError):  # other systems than Linux tell the peak of the whole process alone
        Path("/proc/self/clear_refs").write_text("5")


def _peak_mb() -> float:
    with suppress(OSError):
        status = Path("/proc/self/status").read_text()
        return int(re.findall(r"VmHWM:\s+(\d+)", status)[0]) / 1024.0
    return 0.0


def main(arguments: Sequence[str]) -> int:
    """Read as many mutants as asked for and print what became of them."""
    scan_only = "--scan" in arguments
    count, *folders = (argument for argument in arguments if argument != "--scan")
    truths = readable(truth for folder in folders or [ROOT / "sample_images"] for truth in load_truths(Path(folder)))
    console = Console()
    told: dict[tuple[str, str], Counter[str]] = {}
    worst = {"s": 0.0, "MB": 0.0}
    wrong = 0
    for mutant, fate in fates(truths, int(count), scan_only=scan_only):
        row = told.setdefault((mutant.format, mutant.damage), Counter())
        row["files"] += 1
        row["read" if fate.code == "read" else "refused"] += 1
        worst = {"s": max(worst["s"], fate.seconds), "MB": max(worst["MB"], fate.peak_mb)}
        if found := faults(fate):
            wrong += 1
            row["wrong"] += 1
            console.print(
                f"{mutant.truth.path} {mutant.format} {mutant.damage} {mutant.seed}: {', '.join(found)}", fate.flags
            )
    table = Table("format", "damage", "files", "refused", "read", "wrong", title=f"{len(truths)} photos")
    for (kind, damage), row in sorted(told.items()):
        table.add_row(kind, damage, *(str(row[name]) for name in ("files", "refused", "read", "wrong")))
    console.print(table)
    console.print(f"{wrong} wrong; at most {worst['s']:.1f} s and {worst['MB']:.0f} MB")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
