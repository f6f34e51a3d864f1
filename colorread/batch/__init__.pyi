from .csv import csv_bytes as csv_bytes, write_csv as write_csv
from .folder import PhotoFile as PhotoFile, find_photos as find_photos
from .photo_settings import DEFAULT_TANK as DEFAULT_TANK, SettingsByPhone as SettingsByPhone, stated_of as stated_of
from .score import (
    broke_off as broke_off,
    entry_of as entry_of,
    kept as kept,
    need_not_be_read as need_not_be_read,
    score_photos as score_photos,
)
