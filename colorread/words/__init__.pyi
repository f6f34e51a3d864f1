from .bar import Bar as Bar, bar_lines as bar_lines, bar_of as bar_of, place_labels as place_labels
from .flags import flag_texts as flag_texts
from .gas_care import (
    NO_VALVE_ON_YEAST as NO_VALVE_ON_YEAST,
    SENSITIVE_ANIMALS as SENSITIVE_ANIMALS,
    SIGNS_IN_SHORT as SIGNS_IN_SHORT,
    SIGNS_OF_DISTRESS as SIGNS_OF_DISTRESS,
    SOURCE_WORDS as SOURCE_WORDS,
    VALVE_WORDS as VALVE_WORDS,
    SourceKind as SourceKind,
    Valve as Valve,
    gas_cautions as gas_cautions,
    has_open_hose as has_open_hose,
    if_distressed as if_distressed,
    stop_gas as stop_gas,
)
from .mixing import (
    KhWords as KhWords,
    dkh_words as dkh_words,
    fluid_rows as fluid_rows,
    room_air_words as room_air_words,
)
from .numbers import (
    FISH_SIGNS as FISH_SIGNS,
    NO_BREAK as NO_BREAK,
    REFUSED_SIGN as REFUSED_SIGN,
    NumberWords as NumberWords,
    bind_units as bind_units,
    budget_words as budget_words,
    clean_name as clean_name,
    co2_words as co2_words,
    date_words as date_words,
    days_words as days_words,
    input_words as input_words,
    number_words as number_words,
    percent_words as percent_words,
    ph_words as ph_words,
    time_words as time_words,
    when_words as when_words,
)
from .templates import bar_svg as bar_svg, templates_of as templates_of
from .verdict import (
    ACT_CAUTIONS as ACT_CAUTIONS,
    CALIBRATE as CALIBRATE,
    IN_VIAL as IN_VIAL,
    LEAVE_IT as LEAVE_IT,
    STANDING_CAUTIONS as STANDING_CAUTIONS,
    USUAL_MARKS as USUAL_MARKS,
    WATCH as WATCH,
    Answer as Answer,
    Marks as Marks,
    answer_of as answer_of,
    judge as judge,
    judged as judged,
    watch_cautions as watch_cautions,
)
