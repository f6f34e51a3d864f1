"""The page for several photos: the browser sends them one by one, or without its script all at once."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from colorread.page.core import Core, core_of, require_own_form
from colorread.page.problems import UploadProblem
from colorread.page.render import page
from colorread.page.uploads import PHOTO_BYTES_MAX, PHOTOS_MAX, Upload, receive_photos, text_of
from colorread.tank import Tank
from colorread.words import FISH_SIGNS, REFUSED_SIGN, co2_words, flag_texts, judge

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """What became of one photo, in words."""

    label: str
    sign: str
    words: str
    more: str
    cautions: tuple[str, ...] = ()


@router.get("/tanks/{name}/several")
def choose(request: Request, name: str) -> Response:
    """Show the form for several photos."""
    return _page(request, core_of(request).tank(name), [])


@router.post("/tanks/{name}/several")
async def send(request: Request, name: str) -> Response:
    """Read photos, keep the readings, and tell of each."""
    core = core_of(request)
    tank = await run_in_threadpool(core.tank, name)
    async with receive_photos(request, core.workplace, photos_max=PHOTOS_MAX) as (form, uploads):
        require_own_form(request, text_of(form, "csrf"))
        rows = await asyncio.gather(*(_read(request, core, tank, upload) for upload in uploads))
    return _page(request, tank, rows)


async def _read(request: Request, core: Core, tank: Tank, upload: Upload) -> _Row:
    try:
        entry = await core.score(request, upload, tank)
        reading, reason = entry.reading, entry.reading.reason
    except UploadProblem as error:
        reason = error.reason
    if reason is not None:
        return _Row(
            label=upload.label, sign=REFUSED_SIGN, words="Not read.", more=f"{reason.message} {reason.next_step}"
        )
    is_first = await run_in_threadpool(core.keep, entry)
    assert reading.co2_mg_l is not None
    value, interval = co2_words(reading.co2_mg_l).pair()
    verdict = judge(reading.co2_mg_l, tank.judged_by)
    notes = " ".join(text.sentence for text in flag_texts(reading))
    return _Row(
        label=upload.label,
        sign=FISH_SIGNS[verdict.fish],
        words=value if is_first else f"{value} (in the log already)",
        more=f"{interval}. Fish: {verdict.fish}. {notes}",
        cautions=verdict.cautions,
    )


def _page(request: Request, tank: Tank, rows: list[_Row]) -> Response:
    return page(
        request,
        "several.html",
        tank=tank,
        rows=rows,
        cautions=tuple(dict.fromkeys(caution for row in rows for caution in row.cautions)),
        photos_max=PHOTOS_MAX,
        photo_mb_max=PHOTO_BYTES_MAX >> 20,
    )
