"""The commands that make a calibration profile."""

from __future__ import annotations

import shlex
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from colorread.cli.options import (
    EXIT_FAILED,
    EXIT_REFUSED,
    EXIT_USAGE,
    echo_lines,
    fail,
    number,
    rectangle,
    require_new,
    trouble_of,
    writing,
)
from colorread.cli.profile import load_profile
from colorread.limits import (
    AIR_KH_RANGE_DKH,
    AIR_PPM_RANGE,
    IONIC_STRENGTH_RANGE_MOL_KG,
    KH_RANGE_DKH,
    KNOWN_PH_RANGE,
    OUTDOOR_AIR_PPM,
    TEMPERATURE_RANGE_C,
    LightName,
)
from colorread.profiles import BUFFERS, GUIDES, Guide

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from calibration import Profile
    from colorread.profiles import KnownPhoto

# Refusals of a kit's chart with a way out that only the command line has.
_ASKS_FOR_REGION = ("no-chart", "patch-count")
_FIRST_REGION = "Or mark the row with --region X,Y,W,H in pixels of the upright photo."
_OTHER_REGION = "Also check --region X,Y,W,H, in pixels of the upright photo."
_WIDTH_MAX = 120  # of a line of text; longer ones are hard to follow: common practice, no source


def _cautions(guide: Guide) -> str:
    text = " ".join(guide.cautions)
    return f"Cautions: {text[0].lower()}{text[1:]}"


app = typer.Typer(
    help="Calibrate your own phone, vial and fluid, for narrower intervals.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

_Out = Annotated[Path | None, typer.Option(help="Profile to write, such as me.toml.", metavar="FILE")]
_From = Annotated[
    Path | None,
    typer.Option(
        "--from", help="Earlier profile of the same vial and phone, to add to; in place without --out.", metavar="FILE"
    ),
]
_Light = Annotated[LightName, typer.Option(help="Lamp in the photos, if known.")]
_Force = Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")]
_How = Annotated[bool, typer.Option("--how", help="Explain how to prepare it.")]
_Temperature = Annotated[float, number("Temperature of the fluid in degrees C.", "C", *TEMPERATURE_RANGE_C)]


@app.command(
    short_help="With fully acid and basic fluid, and a known pH.",
    epilog="Example: colorread calibrate ends --acid acid.jpg --base base.jpg --known buffer.jpg --known-ph 7.0 "
    "--ionic-strength 0.15 --out me.toml\n\n" + _cautions(GUIDES["ends"]),
)
def ends(
    acid: Annotated[
        Path | None, typer.Option(help="Photo with a drop of vinegar: all yellow.", metavar="PHOTO")
    ] = None,
    base: Annotated[
        Path | None, typer.Option(help="Photo with a pinch of baking soda: all blue.", metavar="PHOTO")
    ] = None,
    known: Annotated[
        list[Path] | None,
        typer.Option(
            help="Photo of a fresh, colorless buffer, or other fluid of known pH; use it twice for two photos.",
            metavar="PHOTO",
        ),
    ] = None,
    known_ph: Annotated[float | None, number("pH of that fluid.", "PH", *KNOWN_PH_RANGE)] = None,
    ionic_strength: Annotated[
        float | None,
        number(f"Ionic strength of that fluid in mol/kg: {BUFFERS}.", "I", *IONIC_STRENGTH_RANGE_MOL_KG),
    ] = None,
    kh: Annotated[
        float | None,
        number(
            "KH of that fluid in dKH, instead of --ionic-strength, if it is KH fluid whose pH you measured.",
            "DKH",
            *KH_RANGE_DKH,
        ),
    ] = None,
    temperature: _Temperature = 25.0,
    out: _Out = None,
    from_profile: _From = None,
    light: _Light = "unknown",
    force: _Force = False,
    how: _How = False,
) -> None:
    """Calibrate with fully acid and fully basic fluid in the same vial, and a fluid of known pH."""
    if how:
        _explain(
            GUIDES["ends"],
            "Photos: --acid, --base and --known; its pH: --known-ph; its ionic strength in mol/kg: "
            f"--ionic-strength ({BUFFERS}). For KH fluid use --kh instead.",
        )
    if acid is None and base is None and not known:
        fail("Use at least one of --acid, --base and --known. How to prepare them: --how")
    if bool(known) != (known_ph is not None):
        fail("--known and --known-ph go together.")
    from colorread.chemistry import ionic_strength as ionic_strength_of_kh
    from colorread.profiles import buffer_photo, end_photo

    if kh is not None and ionic_strength is not None:
        fail("Use either --ionic-strength or --kh for the known fluid.")
    photos = []
    if acid is not None:
        photos.append((end_photo(acid, "acid"), "--acid PHOTO"))
    if base is not None:
        photos.append((end_photo(base, "base"), "--base PHOTO"))
    if known and known_ph is not None:
        if ionic_strength is None:
            if kh is None:
                fail(
                    f"What fluid is in --known? Add --ionic-strength X ({BUFFERS}), or --kh X for KH fluid whose pH "
                    "you measured."
                )
            ionic_strength = float(ionic_strength_of_kh(kh))
        numbers = f"--known-ph {known_ph:g} --ionic-strength {ionic_strength:.4g} --temperature {temperature:g}"
        for path in known:
            photo = buffer_photo(path, known_ph, ionic_strength_mol_kg=ionic_strength, temperature_c=temperature)
            photos.append((photo, f"--known PHOTO {numbers}"))
    _make("ends", photos, out, from_profile, light, force)


@app.command(
    short_help="With diluted KH fluid that stood open to the air.",
    epilog="Example: colorread calibrate air --photo a.jpg:2 --photo b.jpg:1 --photo c.jpg:0.5 --out me.toml",
)
def air(
    photo: Annotated[
        list[str] | None,
        typer.Option(help="Photo and KH of its fluid in dKH; one per step.", metavar="PHOTO:KH"),
    ] = None,
    air_ppm: Annotated[
        float,
        number(
            f"CO2 of the air; outdoors about {OUTDOOR_AIR_PPM:g}, above 500 m of altitude times the air pressure in "
            "atm.",
            "PPM",
            *AIR_PPM_RANGE,
        ),
    ] = OUTDOOR_AIR_PPM,
    temperature: _Temperature = 25.0,
    out: _Out = None,
    from_profile: _From = None,
    light: _Light = "unknown",
    force: _Force = False,
    how: _How = False,
) -> None:
    """Calibrate with diluted KH fluid that stood open to the air: its pH follows from air and KH."""
    if how:
        _explain(
            GUIDES["air"],
            f"Each photo with its KH: --photo PHOTO:KH. Add --temperature, and --air-ppm if not {OUTDOOR_AIR_PPM:g}.",
        )
    if not photo:
        fail("Add at least one --photo PHOTO:KH. How to prepare them: --how")
    from colorread.profiles import air_photo

    photos = []
    for text in photo:
        path, _, kh_text = text.rpartition(":")
        try:
            kh = float(kh_text)
        except ValueError:
            kh = float("nan")
        low, high = AIR_KH_RANGE_DKH
        if not path or not low <= kh <= high:
            fail(f"--photo needs a file and a KH between {low:g} and {high:g} dKH, such as a.jpg:2, not {text}.")
        numbers = f"--air-ppm {air_ppm:g} --temperature {temperature:g}"
        photos.append(
            (air_photo(path, kh, air_ppm=air_ppm, temperature_c=temperature), f"--photo PHOTO:{kh:g} {numbers}")
        )
    _make("air", photos, out, from_profile, light, force)


@app.command(
    short_help="With a color chart; hardly narrows a reading.",
    epilog='Example: colorread calibrate chart kit.jpg --patches "6.4 6.6 6.8 7.0 7.2" --out me.toml',
)
def chart(
    photos: Annotated[
        list[Path] | None, typer.Argument(help="Photos of one chart, in the light of your readings.", metavar="PHOTO")
    ] = None,
    patches: Annotated[
        str | None,
        typer.Option(
            help="Values of a kit's patches, in order: pH, or mg/L with the unit last and --kh. Not for "
            "the chart of this program.",
            metavar='"A B C ... [mg/L]"',
        ),
    ] = None,
    kh: Annotated[float | None, number("KH in dKH of the kit's chart, if in mg/L.", "DKH", *KH_RANGE_DKH)] = None,
    region: Annotated[
        str | None,
        typer.Option(
            help="Box around the row of patches, in pixels of the upright photo, if it is not found.",
            metavar="X,Y,W,H",
        ),
    ] = None,
    out: _Out = None,
    from_profile: _From = None,
    light: _Light = "unknown",
    force: _Force = False,
    how: _How = False,
) -> None:
    """
    Calibrate with the printed color chart, or with the chart of your own kit beside the card.

    A chart hardly narrows a reading; the ends of the color do (colorread calibrate ends).
    """
    if how:
        _explain(
            GUIDES["chart"],
            "Chart of this program: colorread chart --out chart.pdf",
            'Chart of a kit: --patches "6.4 6.6 6.8 7.0 7.2", or --patches "5 10 20 30 mg/L" --kh 4. mg/L are taken as '
            "3 x KH x 10^(7 - pH), as kits do (assumption). If the row is not found: --region X,Y,W,H in pixels of the "
            "upright photo.",
            "To narrow readings: colorread calibrate ends --how",
        )
    if not photos:
        fail("Add at least one photo of a chart. How to take it: --how")
    if region is not None and patches is None:
        fail("--region is for a kit's chart and needs --patches.")
    xywh = rectangle("--region", region)
    from colorread.profiles import PhotoRefused, make_chart_profile, ph_of_patches

    try:
        patch_ph = None if patches is None else ph_of_patches(patches, kh_dkh=kh)
    except ValueError as error:
        fail(str(error))

    target, earlier = _target(out, from_profile, force)
    with _calibrating():
        try:
            made = make_chart_profile(photos, patch_ph=patch_ph, region_xywh=xywh, light=light, base=earlier)
        except PhotoRefused as error:
            if patch_ph is None or error.reason.code not in _ASKS_FOR_REGION:
                raise
            fail(f"{error} {_FIRST_REGION if xywh is None else _OTHER_REGION}", EXIT_REFUSED)
    _write(made, target, replace=force or out is None)


def _explain(guide: Guide, *options: str) -> NoReturn:
    """Print how to prepare a calibration, and by which options it is given; then stop."""
    import textwrap
    from shutil import get_terminal_size

    def echo(text: str, indent: str = "") -> None:
        width = min(get_terminal_size().columns, _WIDTH_MAX)
        echo_lines(textwrap.wrap(text, width, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False))

    echo(f"{guide.title}.")
    for text in guide.before:
        echo(text)
    for number_, step in enumerate(guide.steps, 1):
        echo(f"{number_}. {step.title}: {step.words}", indent="   ")
    for text in (*options, _cautions(guide)):
        echo(text)
    raise typer.Exit


def _make(
    command: str,
    photos: Sequence[tuple[KnownPhoto, str]],
    out: Path | None,
    from_profile: Path | None,
    light: LightName,
    force: bool,
) -> None:
    """Make a profile of the photos that can be used; each comes with the options that give it once more."""
    from colorread.profiles import PhotoRefused, measure_photos, profile_of

    target, earlier = _target(out, from_profile, force)
    with _calibrating():
        samples, missing = [], []
        for measured, (_, options) in zip(measure_photos(photo for photo, _ in photos), photos, strict=True):
            if isinstance(measured, PhotoRefused):
                typer.echo(measured, err=True)
                missing.append(options)
            else:
                samples.append(measured)
        if not samples:
            raise typer.Exit(EXIT_REFUSED)
        made = profile_of(samples, light=light, base=earlier)
    _write(made, target, replace=force or out is None)
    if missing:
        again = " ".join(dict.fromkeys(missing))
        typer.echo(
            "What was refused is missing in it. Take that photo again and add it: "
            f"colorread calibrate {command} {again} --from {shlex.quote(str(target))}"
        )
        raise typer.Exit(EXIT_REFUSED)


def _target(out: Path | None, from_profile: Path | None, force: bool) -> tuple[Path, Profile | None]:
    """Return where the profile is to be written, and the earlier one."""
    target = out or from_profile
    if target is None:
        fail("Add where to write the profile: --out me.toml")
    if out is not None:
        require_new(out, force)
    return target, None if from_profile is None else load_profile(from_profile)


@contextmanager
def _calibrating() -> Iterator[None]:
    """Fail with one sentence where photos make no profile in a ``with`` block."""
    from colorread.profiles import PhotoRefused

    try:
        yield
    except ValueError as error:
        fail(str(error), EXIT_REFUSED if isinstance(error, PhotoRefused) else EXIT_USAGE)
    except (OSError, MemoryError) as error:
        fail(f"A photo could not be read: {trouble_of(error)}.", EXIT_FAILED)


def _write(profile: Profile, target: Path, *, replace: bool) -> None:
    from calibration import write_profile
    from colorread.profiles import profile_lines

    with writing(target):
        write_profile(profile, target, overwrite=replace)
    echo_lines(profile_lines(profile))
    typer.echo(f"Wrote {target}. Read with it: colorread read photo.jpg --profile {shlex.quote(str(target))}")
