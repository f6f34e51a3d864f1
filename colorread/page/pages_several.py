"""Pages for several photos at once."""

from __future__ import annotations

import secrets
import shutil

from fastapi import APIRouter, HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from colorread.flags import flag_texts
from colorread.page.core import core_of, require_own_form
from colorread.page.pages import see, tank_url
from colorread.page.render import page
from colorread.page.uploads import PHOTOS_MAX, receive_form, save_photos, text_of
from colorread.verdict import judge
from colorread.words import FISH_SIGNS, REFUSED_SIGN, co2_words

router = APIRouter(include_in_schema=False)


@router.get("/tanks/{name}/several")
def choose(request: Request, name: str) -> Response:
    """Show the form for several photos."""
    return page(request, "several.html", tank=core_of(request).tank(name), photos_max=PHOTOS_MAX)


@router.post("/tanks/{name}/several")
async def send(request: Request, name: str) -> Response:
    """Receive several photos and begin to read them."""
    core = core_of(request)
    with core.jobs.place():
        tank = await run_in_threadpool(core.tank, name)
        folder = core.folder / secrets.token_hex(16)
        folder.mkdir(mode=0o700)
        try:
            async with receive_form(request, photos_max=PHOTOS_MAX) as form:
                require_own_form(request, text_of(form, "csrf"))
                uploads = await save_photos(form, folder)
            job = core.jobs.start(tank, uploads, folder)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
    return see(tank_url(name, f"/several/{job.name}"))


@router.get("/tanks/{name}/several/{job_name}")
def progress(request: Request, name: str, job_name: str) -> Response:
    """Show how far several photos are."""
    core = core_of(request)
    job = core.jobs.get(job_name)
    if job is None or job.tank != name:
        raise HTTPException(404, "These photos were read a while ago; the readings are in the history of the tank.")
    tank = core.tank(name)
    rows = []
    cautions: dict[str, None] = {}  # in their order
    for done in list(job.done):
        label, reading = done.photo.name, done.reading
        if reading is None:
            of_profile = done.outcome == "calibration"
            words = (
                "one that the profile was made of, left out"
                if of_profile
                else "the same as an earlier one, counts once"
            )
            rows.append((label, "", words, ""))
        elif reading.co2_mg_l is None:
            reason = reading.reason
            words = "" if reason is None else f"{reason.message} {reason.next_step}"
            rows.append((label, REFUSED_SIGN, "Not read.", words))
        else:
            known = " (in the log already)" if done.outcome == "known" else ""
            value, interval = co2_words(reading.co2_mg_l).pair()
            verdict = judge(reading.co2_mg_l, tank.judged_by)
            cautions |= dict.fromkeys(verdict.cautions)
            notes = " ".join(text.sentence for text in flag_texts(reading))
            more = f"{interval}. Fish: {verdict.fish}. {notes}"
            rows.append((label, FISH_SIGNS[verdict.fish], f"{value}{known}", more))
    return page(request, "progress.html", tank=tank, job=job, rows=rows, cautions=tuple(cautions))
