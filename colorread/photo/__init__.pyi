from .file import (
    camera_model_of as camera_model_of,
    open_file as open_file,
    open_image as open_image,
    read_exif as read_exif,
    refusing_broken_files as refusing_broken_files,
)
from .load import (
    CloseUp as CloseUp,
    Photo as Photo,
    Source as Source,
    decoded as decoded,
    icc_profile_of as icc_profile_of,
    load_close_up as load_close_up,
    load_photo as load_photo,
)
