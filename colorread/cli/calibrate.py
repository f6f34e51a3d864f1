"""The commands that make a calibration profile, and the one that shows it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

import calibration
from colorread import chemistry, limits, profiles, words
from colorread.cli import common, screen
from colorread.records import toml_beside

_ASKS_FOR_REGION = ("no-chart", "patch-count")  # refusals of a kit's chart that --region may solve


@common.group()
def app() -> None:
    """Calibrate your own phone, vial and fluid, for narrower intervals."""


def _cautions(kind: profiles.Kind) -> str:
    text = " ".join(profiles.GUIDES[kind].cautions)
    return f"Cautions: {text[0].lower()}{text[1:]}"


def _explain(ctx: typer.Context, how: bool) -> None:
    """Print how to prepare a calibration and which options to use, and exit."""
    if not how:
        return
    terminal = screen.Terminal()
    kind: profiles.Kind = ctx.info_name  # type: ignore[assignment]
    guide = profiles.GUIDES[kind]
    steps = [f"{i}. {step.title}: {step.words}" for i, step in enumerate(guide.steps, 1)]
    texts = toml_beside(__file__, "how_given.toml")[kind]
    how_given = (text.format(buffers=profiles.BUFFERS, air_ppm=limits.OUTDOOR_AIR_PPM) for text in texts)
    for text in (f"{guide.title}.", *guide.before, *steps, *how_given, _cautions(kind)):
        terminal.paragraph(text, indent="   " if text in steps else "")
    raise typer.Exit


def _print_profile(profile: calibration.Profile) -> None:
    terminal = screen.Terminal()
    for line in profiles.profile_lines(profile):
        terminal.paragraph(line, indent="    ")


@dataclass(frozen=True)
class _Making:
    """The options of every calibration: where the profile goes, what it adds to, and the lamp."""

    out: Path | None
    from_profile: Path | None
    light: limits.LightName
    force: bool

    def start(self) -> tuple[Path, calibration.Profile | None]:
        """Return the file to write and the earlier profile, or exit before any work."""
        target = self.out or self.from_profile
        if target is None:
            common.fail("Name the profile to write: --out me.toml")
        if self.out is not None:
            common.require_outputs([self.out], self.force)
        return target, None if self.from_profile is None else common.load_profile(self.from_profile)

    def finish(self, profile: calibration.Profile, target: Path) -> None:
        """Write the profile and show it."""
        with common.writing(target):
            calibration.write_profile(profile, target, overwrite=self.force or self.out is None)
        _print_profile(profile)
        typer.echo(f"Wrote {target}. Read with it: colorread read photo.jpg --profile {words.as_typed(str(target))}")


_FROM_HELP = "Earlier profile of the same vial and phone to add to; without --out, it is updated in place."
_with_making = common.with_options(
    "making",
    {
        "out": (Annotated[Path | None, typer.Option(help="Profile to write, such as me.toml.", metavar="FILE")], None),
        "from_profile": (Annotated[Path | None, typer.Option("--from", help=_FROM_HELP, metavar="FILE")], None),
        "light": (Annotated[limits.LightName, typer.Option(help="Lamp in the photos, if known.")], "unknown"),
        "force": (common.Force, False),
    },
    _Making,
)
_How = Annotated[bool, typer.Option("--how", callback=_explain, is_eager=True, help="Explain how to prepare it.")]
_TEMPERATURE = common.number("Temperature of the fluid in degrees C.", "C", *limits.TEMPERATURE_RANGE_C)
_KNOWN_HELP = "Photo of a fresh, colorless buffer, or other fluid of known pH; repeat it for two photos."
_STRENGTH = common.number(
    f"Ionic strength of that fluid in mol/kg: {profiles.BUFFERS}.", "I", *limits.IONIC_STRENGTH_RANGE_MOL_KG
)
_KNOWN_KH_HELP = "KH of that fluid in dKH, instead of --ionic-strength, if it is KH fluid whose pH you measured."
_AIR_HELP = (
    f"CO2 of the air; outdoors about {limits.OUTDOOR_AIR_PPM:g}, above 500 m of altitude times the air pressure in atm."
)
_PATCHES_HELP = (
    "Values of a kit's patches, in order: pH, or mg/L with the unit last and --kh. Not for this program's chart."
)
_REGION_HELP = "Box around the row of patches, in pixels of the upright photo, if it is not found."


@common.command(app, short_help="With fully acid and basic fluid, and a known pH.", below=[_cautions("ends")])
@_with_making
def ends(
    acid: Annotated[
        Path | None, typer.Option(help="Photo with a drop of vinegar: all yellow.", metavar="PHOTO")
    ] = None,
    base: Annotated[
        Path | None, typer.Option(help="Photo with a pinch of baking soda: all blue.", metavar="PHOTO")
    ] = None,
    known: Annotated[list[Path] | None, typer.Option(help=_KNOWN_HELP, metavar="PHOTO")] = None,
    known_ph: Annotated[float | None, common.number("pH of that fluid.", "PH", *limits.KNOWN_PH_RANGE)] = None,
    ionic_strength: Annotated[float | None, _STRENGTH] = None,
    kh: Annotated[float | None, common.number(_KNOWN_KH_HELP, "DKH", *limits.KH_RANGE_DKH)] = None,
    temperature: Annotated[float, _TEMPERATURE] = 25.0,
    *,
    making: _Making,
    how: _How = False,
) -> None:
    """
    Calibrate with fully acid and fully basic fluid in the same vial, and a fluid of known pH.

    Examples
    --------
    colorread calibrate ends --acid acid.jpg --base base.jpg --known buffer.jpg --known-ph 7.0
        --ionic-strength 0.15 --out me.toml
    """
    if acid is None and base is None and not known:
        common.fail("Use at least one of --acid, --base and --known. How to prepare them: --how")
    if bool(known) != (known_ph is not None):
        common.fail("--known and --known-ph go together.")
    if kh is not None and ionic_strength is not None:
        common.fail("Use either --ionic-strength or --kh for the known fluid.")
    photos = [(profiles.end_photo(acid, "acid"), "--acid PHOTO")] if acid else []
    photos += [(profiles.end_photo(base, "base"), "--base PHOTO")] if base else []
    if known and known_ph is not None:
        if kh is not None:
            ionic_strength = float(chemistry.ionic_strength(kh))
        if ionic_strength is None:
            common.fail(
                f"What fluid is in --known? Add --ionic-strength X ({profiles.BUFFERS}), or --kh X for KH fluid whose "
                "pH you measured."
            )
        numbers = f"--known-ph {known_ph:g} --ionic-strength {ionic_strength:.4g} --temperature {temperature:g}"
        state = {"ionic_strength_mol_kg": ionic_strength, "temperature_c": temperature}
        photos += [(profiles.buffer_photo(path, known_ph, **state), f"--known PHOTO {numbers}") for path in known]
    _make("ends", photos, making)


@common.command(app, short_help="With diluted KH fluid that stood open to the air.")
@_with_making
def air(
    photo: Annotated[
        list[str] | None, typer.Option(help="Photo and KH of its fluid in dKH; one per step.", metavar="PHOTO:KH")
    ] = None,
    air_ppm: Annotated[float, common.number(_AIR_HELP, "PPM", *limits.AIR_PPM_RANGE)] = limits.OUTDOOR_AIR_PPM,
    temperature: Annotated[float, _TEMPERATURE] = 25.0,
    *,
    making: _Making,
    how: _How = False,
) -> None:
    """
    Calibrate with diluted KH fluid that stood open to the air: its pH follows from air and KH.

    Examples
    --------
    colorread calibrate air --photo a.jpg:2 --photo b.jpg:1 --photo c.jpg:0.5 --out me.toml
    """
    if not photo:
        common.fail("Add at least one --photo PHOTO:KH. How to prepare them: --how")
    numbers = {"air_ppm": air_ppm, "temperature_c": temperature}
    options = f"--air-ppm {air_ppm:g} --temperature {temperature:g}"
    typed = map(_photo_and_kh, photo)
    photos = [(profiles.air_photo(path, kh, **numbers), f"--photo PHOTO:{kh:g} {options}") for path, kh in typed]
    _make("air", photos, making)


def _photo_and_kh(text: str) -> tuple[str, float]:
    path, _, kh_text = text.rpartition(":")
    low, high = limits.AIR_KH_RANGE_DKH
    with suppress(ValueError):
        if path and low <= (kh := float(kh_text)) <= high:
            return path, kh
    common.fail(f"--photo needs a file and a KH between {low:g} and {high:g} dKH, such as a.jpg:2, not {text}.")


@common.command(app, short_help="With a color chart; hardly narrows a reading.")
@_with_making
def chart(
    photos: Annotated[
        list[Path] | None, typer.Argument(help="Photos of one chart, in the light of your readings.", metavar="PHOTO")
    ] = None,
    patches: Annotated[str | None, typer.Option(help=_PATCHES_HELP, metavar='"A B C ... [mg/L]"')] = None,
    kh: Annotated[
        float | None, common.number("KH in dKH of the kit's chart, if that is in mg/L.", "DKH", *limits.KH_RANGE_DKH)
    ] = None,
    region: Annotated[str | None, typer.Option(help=_REGION_HELP, metavar="X,Y,W,H")] = None,
    *,
    making: _Making,
    how: _How = False,
) -> None:
    """
    Calibrate with the printed color chart, or with the chart of your own kit beside the card.

    A chart hardly narrows a reading; colorread calibrate ends does.

    Examples
    --------
    colorread calibrate chart kit.jpg --patches "6.4 6.6 6.8 7.0 7.2" --out me.toml
    """
    if not photos:
        common.fail("Add at least one photo of a chart. How to take it: --how")
    if region is not None and patches is None:
        common.fail("--region is for a kit's chart and needs --patches.")
    xywh = common.rectangle("--region", region)
    with common.exit_on(ValueError):
        patch_ph = None if patches is None else profiles.ph_of_patches(patches, kh_dkh=kh)
    target, earlier = making.start()
    with _calibrating():
        try:
            made = profiles.make_chart_profile(
                photos, patch_ph=patch_ph, region_xywh=xywh, light=making.light, base=earlier
            )
        except profiles.PhotoRefused as error:
            if patch_ph is None or error.reason.code not in _ASKS_FOR_REGION:
                raise
            way_out = "Or mark the row with --region X,Y,W,H" if xywh is None else "Also check --region X,Y,W,H,"
            common.fail(f"{error} {way_out} in pixels of the upright photo.", common.EXIT_REFUSED)
    making.finish(made, target)


def _make(kind: profiles.Kind, photos: Sequence[tuple[profiles.KnownPhoto, str]], making: _Making) -> None:
    """Make a profile from the photos that can be used; each comes with the options for adding it again."""
    target, earlier = making.start()
    samples, missing = [], []
    with _calibrating():
        for photo, options in photos:
            try:
                samples.append(profiles.measure_known_fluid(photo))
            except profiles.PhotoRefused as refused:
                if refused.reason.code == "no-file":  # a mistyped name; the photo itself may be good
                    common.fail(str(refused))
                typer.echo(refused, err=True)
                missing.append(options)
        if not samples:
            raise typer.Exit(common.EXIT_REFUSED)
        made = profiles.profile_from(samples, light=making.light, base=earlier)
    making.finish(made, target)
    if missing:
        again = " ".join(dict.fromkeys(missing))
        typer.echo(
            "Refused photos are missing from the profile. Take them again and add them: "
            f"colorread calibrate {kind} {again} --from {words.as_typed(str(target))}"
        )
        raise typer.Exit(common.EXIT_REFUSED)


@contextmanager
def _calibrating() -> Iterator[None]:
    """Exit with one sentence if photos cannot be used in a ``with`` block."""
    with (
        common.exit_on(ValueError),
        common.exit_on(profiles.PhotoRefused, code=common.EXIT_REFUSED),
        common.exit_on(OSError, MemoryError, what="A photo could not be read", code=common.EXIT_FAILED),
    ):
        yield


def profile(
    file: Annotated[Path, typer.Argument(help="Profile to show.", metavar="FILE")],
    picture: Annotated[
        Path | None, common.output("Write a picture of the calibration.", "FILE.png", ".png", ".pdf", ".svg")
    ] = None,
    default: Annotated[
        bool | None,
        typer.Option("--default/--no-default", help="Use it for all photos from its phone, or stop doing so."),
    ] = None,
    force: common.Force = False,
    log: common.LogFile = None,
) -> None:
    """
    Show a calibration profile, or make it the default for its phone.

    Examples
    --------
    colorread profile me.toml --picture me.png
    """
    found = common.load_profile(file, log)
    if picture is not None:
        common.require_outputs([picture], force, profile=file)
    if default is None:
        _print_profile(found)
    else:
        _set_default(file, default, log)
    if picture is not None:
        with common.writing(picture), common.exit_on(ValueError):
            profiles.write_profile_picture(found, picture)
        typer.echo(f"Wrote {picture}.")


def _set_default(file: Path, default: bool, log: Path | None) -> None:
    common.prepare_defaults(log)
    with (
        common.exit_on(ValueError),
        common.exit_on(OSError, what="The default could not be changed", code=common.EXIT_FAILED),
    ):
        if default:
            phones = ", ".join(profiles.make_default(file, common.log_path(log)))
            where = "" if log is None else f" with the log {log}"
            typer.echo(f"Photos from {phones} now use a copy of {file}{where}.")
        elif profiles.drop_default(file, common.log_path(log)):
            typer.echo("That phone no longer has a default profile.")
        else:
            typer.echo("That phone has no default profile.")
