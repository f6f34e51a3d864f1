from .defaults import (
    default_profile as default_profile,
    drop_default as drop_default,
    has_defaults as has_defaults,
    make_default as make_default,
    migrate_defaults as migrate_defaults,
    profile_files as profile_files,
    read_defaults as read_defaults,
    read_named as read_named,
)
from .how_to import BUFFERS as BUFFERS, GUIDES as GUIDES, SOLD_BUFFERS as SOLD_BUFFERS, Kind as Kind
from .make import (
    KnownPhoto as KnownPhoto,
    PhotoRefused as PhotoRefused,
    air_photo as air_photo,
    buffer_photo as buffer_photo,
    end_photo as end_photo,
    make_chart_profile as make_chart_profile,
    make_profile as make_profile,
    measure_clear_fluid as measure_clear_fluid,
    measure_known_fluid as measure_known_fluid,
    ph_of_patches as ph_of_patches,
    profile_from as profile_from,
)
from .presentation import profile_lines as profile_lines, write_profile_picture as write_profile_picture
