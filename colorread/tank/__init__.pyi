from .events import (
    LETTERS as LETTERS,
    Event as Event,
    event_letters as event_letters,
    event_words as event_words,
    moment_words as moment_words,
    parse_share as parse_share,
    typed_event as typed_event,
    updated_tank as updated_tank,
)
from .gas_plan import GasPlan as GasPlan, plan_gas as plan_gas
from .gas_plan_words import (
    answer_lines as answer_lines,
    plan_cautions as plan_cautions,
    plan_rows as plan_rows,
    plan_title as plan_title,
    plan_to_dict as plan_to_dict,
)
from .results import (
    Advice as Advice,
    PhotoPoint as PhotoPoint,
    TankSummary as TankSummary,
    summary_to_dict as summary_to_dict,
    tank_co2_lookup as tank_co2_lookup,
)
from .series import (
    LEAST_READINGS as LEAST_READINGS,
    WINDOW_DAYS as WINDOW_DAYS,
    age_days as age_days,
    has_future_date as has_future_date,
    wall_clock as wall_clock,
)
from .settings import (
    DailySpan as DailySpan,
    Tank as Tank,
    changed_tank as changed_tank,
    parse_day as parse_day,
    setting_rows as setting_rows,
)
from .settings_table import SETTINGS as SETTINGS, Measure as Measure, Setting as Setting
from .summary import summarize as summarize
from .tank_words import (
    HOURS_ABOVE as HOURS_ABOVE,
    NUMBERS_CAPTION as NUMBERS_CAPTION,
    PHOTO_PURPOSES as PHOTO_PURPOSES,
    RECOMMENDED as RECOMMENDED,
    fitted_rows as fitted_rows,
    forecast_rows as forecast_rows,
    number_rows as number_rows,
    plan_lines as plan_lines,
    refill_words as refill_words,
)
