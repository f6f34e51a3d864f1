from .interpretation import (
    believed_ph as believed_ph,
    pka_of as pka_of,
    with_numbers as with_numbers,
    without_numbers as without_numbers,
)
from .pipeline import (
    Fluid as Fluid,
    read_photo as read_photo,
    read_photo_traced as read_photo_traced,
    require_clear_fluid as require_clear_fluid,
    see_fluid as see_fluid,
)
from .stated import Stated as Stated
