from .score import (
    DEFAULT_TANK as DEFAULT_TANK,
    PhotoFile as PhotoFile,
    Scored as Scored,
    broke_off as broke_off,
    csv_bytes as csv_bytes,
    entry_of as entry_of,
    find_photos as find_photos,
    inputs_of as inputs_of,
    is_up_to_date as is_up_to_date,
    logged_entries as logged_entries,
    score_photos as score_photos,
    settings_by_phone as settings_by_phone,
)
