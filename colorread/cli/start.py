"""The commands to start with: sheets to print, the fluid to mix, the demonstration, and the page to serve."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import replace
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

import calibration
from colorread import batch, chemistry, limits, log as log_room, page, profiles, report, tank as tank_room, words
from colorread.cli import common, screen

DEMO_LOG = "demo.sqlite"  # marks a folder as made by the demo; never the name of a keeper's own log
_Paper = Annotated[Literal["a4", "letter"], typer.Option(help="Size of the sheet.")]
_CARD = common.output("PDF file to write; default: card.pdf, or tag.pdf with --tag.", "FILE", ".pdf")
_PAGE_EXTRA = 'The page needs more packages. In the program folder, run: pip install ".[page]"'


def card(
    out: Annotated[Path | None, _CARD] = None,
    tag: Annotated[bool, typer.Option("--tag", help="The small tag that hangs in the tank behind the vial.")] = False,
    paper: _Paper = "a4",
    force: common.Force = False,
) -> None:
    """
    Write a print-ready sheet of cards, or of tags, at true size, in black ink only.

    Examples
    --------
    colorread card --tag --out tag.pdf --paper letter
    """
    out = out or Path("tag.pdf" if tag else "card.pdf")
    common.require_outputs([out], force)
    data = calibration.render_tag_sheet(paper=paper) if tag else calibration.render_card_sheet(paper=paper)
    common.write(out, data)
    bar_mm = (calibration.load_tag() if tag else calibration.load_card()).scale_bar.length_mm
    typer.echo(f"Wrote {out}. Print it at 100 %, then check with a ruler that the scale bar is {bar_mm:.0f} mm long.")


def chart(
    out: Annotated[Path, common.output("PDF file to write.", "FILE", ".pdf")] = Path("chart.pdf"),
    kh: Annotated[
        float, common.number("KH of the fluid in dKH, for the CO2 labels.", "DKH", *limits.KH_RANGE_DKH)
    ] = 4.0,
    temperature: Annotated[
        float,
        common.number("Temperature of the water in degrees C, for the CO2 labels.", "C", *limits.TEMPERATURE_RANGE_C),
    ] = 25.0,
    paper: _Paper = "a4",
    force: common.Force = False,
) -> None:
    """
    Write color charts for comparing by eye, pH 6.0 to 7.6 with CO2, and blank cards for photos.

    Examples
    --------
    colorread chart --out chart.pdf --kh 4 --temperature 25
    """
    common.require_outputs([out], force)
    co2_mg_l = chemistry.co2_from_ph(calibration.CHART_PH, kh, temperature_c=temperature).tolist()
    data = calibration.render_chart_sheet(co2_mg_l=co2_mg_l, kh_dkh=kh, temperature_c=temperature, paper=paper)
    common.write(out, data)
    typer.echo(f"Wrote {out}. Print it in color at 100 %. Printers differ, so its colors are approximate.")


def fluid(
    kh: Annotated[float, common.number("KH you want, in dKH.", "DKH", *limits.TARGET_KH_RANGE_DKH)] = 4.0,
    volume: Annotated[float, common.number("Amount of fluid, in mL.", "ML", *limits.FLUID_VOLUME_RANGE_ML)] = 1000.0,
    scale_error: Annotated[
        float, common.number("Accuracy of your scale, plus or minus, in g.", "G", 0.0, limits.SCALE_ERROR_MAX_G)
    ] = 0.1,
    vial_volume: Annotated[float, common.number("Fluid in the vial, in mL.", "ML", *limits.VIAL_VOLUME_RANGE_ML)] = 5.0,
    temperature: Annotated[
        float, common.number("Room temperature in degrees C.", "C", *limits.TEMPERATURE_RANGE_C)
    ] = 22.0,
    as_json: common.JsonObject = False,
) -> None:
    """
    Show how to mix the KH fluid, the drops of dye, and the color to expect in room air.

    Examples
    --------
    colorread fluid --kh 4 --volume 1000 --scale-error 0.1
    """
    from colorread.records import plain

    with common.exit_on(ValueError):
        recipe = chemistry.fluid_recipe(kh, volume, scale_error_g=scale_error)
        dose = chemistry.dye_drops(vial_volume, kh_dkh=recipe.kh_dkh)
        air = chemistry.color_in_room_air(kh, temperature)
    if as_json:
        room_air = {**plain(air), "text": words.room_air_words(air)}
        parts = {"recipe": recipe, "dye": dose, "room_air": room_air}
        common.echo_json(
            [{"schema": "colorread.fluid/1", **parts, "renewal": chemistry.RENEWAL, "cautions": chemistry.CAUTIONS}]
        )
    else:
        terminal = screen.Terminal()
        terminal.say(f"Fluid of {recipe.kh_dkh:.2f} dKH, {recipe.second.total_ml:g} mL", "bold underline")
        terminal.rows(words.fluid_rows(recipe, dose, air, vial_volume, option=f", --kh {dose.kh_in_vial_dkh:.2f}"))
        terminal.cautions(chemistry.CAUTIONS)


def demo(
    out: Annotated[
        Path, typer.Option(help="Folder for log, profile and reports; created if missing.", metavar="DIR")
    ] = Path("colorread-demo"),
) -> None:
    """
    Show the tool on three made-up tanks with rendered photos, and print where the reports are.

    Examples
    --------
    colorread demo --out demo
    """
    import tomllib

    from rich.console import Console

    if out.exists() and (not out.is_dir() or (any(out.iterdir()) and not (out / DEMO_LOG).exists())):
        why = "not empty" if out.is_dir() else "a file"
        common.fail(f"{out} is {why}; choose an empty or new folder with --out.")
    with (
        common.exit_on(OSError, what=f"Could not write the demo to {out}", code=common.EXIT_FAILED),
        common.exit_on(log_room.LogFailure, code=common.EXIT_FAILED),
        Console(stderr=True).status("Starting") as status,
    ):
        images = find_images()
        entries = tomllib.loads((images / "demo.toml").read_text(encoding="utf-8"))["tank"]
        out.mkdir(parents=True, exist_ok=True)
        with log_room.Log(out / DEMO_LOG) as log:
            made = [_make_tank(entry, out, images, log, status.update) for entry in entries]
    terminal = screen.Terminal()
    terminal.print("Made-up data: three tanks in a library reading room, with rendered photos.")
    for summary, file in made:
        terminal.print()
        screen.print_now(terminal, summary, where="the report")
        terminal.print(f"Report    {file}", soft_wrap=True)


def serve(
    tank: Annotated[str | None, typer.Option(help="Tank to show first.", metavar="NAME")] = None,
    port: Annotated[int, common.number("Port of the page.", "PORT", 1, 65535, kind=int)] = 8300,
    share: Annotated[bool, typer.Option("--share", help="Let paired phones on your home network open it.")] = False,
    address: Annotated[
        str | None, typer.Option(help="Address of this computer, if the wrong one is found.", metavar="IP")
    ] = None,
    forget_phones: Annotated[bool, typer.Option("--forget-phones", help="Unpair all phones.")] = False,
    log: common.LogFile = None,
) -> None:
    """
    Open a page on this computer: take photos with your phone, see the reading, save it in the log.

    Examples
    --------
    colorread serve
    colorread serve --share
    colorread serve --tank window --share --port 8300

    Without --share, only this computer can open the page. With it, phones on your home network can, once paired with a
    code from the terminal. The connection is not encrypted. Stop with Ctrl-C.
    """
    if address is not None and not share:
        common.fail("--address needs --share.")
    if any(find_spec(name) is None for name in ("fastapi", "python_multipart", "segno", "uvicorn")):
        common.fail(_PAGE_EXTRA, common.EXIT_FAILED)
    host = "127.0.0.1"
    if share:
        with common.exit_on(ValueError):
            host = page.home_address() if address is None else page.require_home_address(address)
    with common.open_log(log, create=True) as opened:
        path = opened.path
        if tank is not None:
            opened.tank(tank)
    common.prepare_defaults(log)
    if forget_phones:
        page.devices_path(path).unlink(missing_ok=True)
        typer.echo("All phones are unpaired.")
    try:
        taken = page.listen(host, port)
    except OSError as error:
        why = error.strerror or error
        common.fail(f"Port {port} of {host} is not available ({why}); choose another with --port.", common.EXIT_FAILED)
    url = f"http://{host}:{port}/"
    invite = partial(_print_code, url)
    try:
        devices_path = page.devices_path(path)
        access = page.Access(host=host, port=port, shared=share, devices_path=devices_path, on_paired=invite)
        core = page.Core(path, access, home=tank, tell=typer.echo)
    except (OSError, log_room.LogFailure) as error:
        common.fail(f"The page could not start: {error}", common.EXIT_FAILED)
    if share:
        typer.echo("The connection between phones and this computer is not encrypted.")
        invite(access.code)
        typer.echo("Stop with Ctrl-C.")
    else:
        typer.echo(f"Open {url} on this computer. Stop with Ctrl-C.")
    page.run(page.create_app(core), taken)
    typer.echo("Stopped. Saved readings are in the log.")


def find_images() -> Path:
    """Return the folder of the sample images: in the installed package, or beside it in a checkout."""
    package = Path(__file__).parents[1]
    installed = package / "sample_images"
    return installed if installed.is_dir() else package.parent / "sample_images"


def _make_tank(
    entry: Mapping[str, Any], folder: Path, images: Path, log: log_room.Log, tell: Callable[[str], None]
) -> tuple[tank_room.TankSummary, Path]:
    """Calibrate, read, log and report one tank of ``demo.toml``; return its summary and its report."""
    name, settings = entry["name"], entry["settings"]
    stem = folder / name.replace(" ", "-")
    tank = tank_room.changed_tank(tank_room.Tank(name=name, made_up=True), settings)
    if "calibration" in entry:
        tell(f"{name}: calibrating")
        tank = replace(tank, profile=str(stem.with_suffix(".toml")))
        profile = _calibrate(entry["calibration"], images, float(settings["kh"]))
        calibration.write_profile(profile, stem.with_suffix(".toml"), overwrite=True)
    log.put_tank(tank)
    paths = sorted(path for pattern in entry["photos"] for path in images.glob(pattern))
    photos = [batch.PhotoFile(path=path, name=path.relative_to(images).as_posix()) for path in paths]
    names = {}
    with closing(batch.score_photos(photos, log=log, tank=tank)) as results:
        for number, scored in enumerate(results, 1):
            tell(f"{name}: photo {number} of {len(photos)}")
            names[scored.sha256] = scored.photo.name
    summary = tank_room.summarize(tank, [logged.reading for logged in batch.logged_entries(log, tank, names)])
    file = stem.with_suffix(".html")
    report.write_report(file, summary, batch.logged_entries(log, tank, names, with_pictures=True))
    return summary, file


def _calibrate(photos: Mapping[str, Any], images: Path, kh_dkh: float) -> calibration.Profile:
    strength = float(chemistry.ionic_strength(kh_dkh))
    return profiles.make_profile(
        [
            profiles.end_photo(images / photos["acid"], "acid"),
            profiles.end_photo(images / photos["base"], "base"),
            profiles.buffer_photo(images / photos["known"], float(photos["known_ph"]), ionic_strength_mol_kg=strength),
        ]
    )


def _print_code(url: str, code: str) -> None:
    """Print a code that works once, to type or, where the terminal can show it, to scan."""
    import segno

    encoding = (sys.stdout.encoding or "").lower()
    sentence = f"On your phone, open {url} and type the code {code[:5]} {code[5:]}."
    if sys.stdout.isatty() and encoding.startswith("utf"):
        segno.make(f"{url}pair?code={code}", micro=False).terminal(compact=True, border=2)
        sentence = f"Scan this with your phone. Or: {sentence}"
    typer.echo(f"{sentence} Each code pairs one device.")
