from .interpretation import (
    PhotoInputs as PhotoInputs,
    blank_reading as blank_reading,
    complete_reading as complete_reading,
    fluid_ph_posterior as fluid_ph_posterior,
    pka_of as pka_of,
)
from .pipeline import (
    observe_fluid as observe_fluid,
    read_photo as read_photo,
    read_photo_traced as read_photo_traced,
    require_clear_fluid as require_clear_fluid,
)
