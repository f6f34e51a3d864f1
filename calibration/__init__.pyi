from .atomic_file import atomic_writer as atomic_writer, write_atomic as write_atomic
from .camera import (
    LOAD as LOAD,
    LOG_RATIO as LOG_RATIO,
    direction_deg as direction_deg,
    dye_transmittance as dye_transmittance,
    over_white as over_white,
    rgb_lin_under_d65 as rgb_lin_under_d65,
    signal_family as signal_family,
)
from .color_space import (
    ColorSpace as ColorSpace,
    Floats as Floats,
    GraySamples as GraySamples,
    ToneFit as ToneFit,
    decode_tone as decode_tone,
    encode_srgb as encode_srgb,
    fit_tone as fit_tone,
    rgb_lin_from_xyz as rgb_lin_from_xyz,
    usual_reflectance as usual_reflectance,
    xyz_from_rgb_lin as xyz_from_rgb_lin,
)
from .dye import (
    PKA_25C_FRESH as PKA_25C_FRESH,
    PKA_STD as PKA_STD,
    log_activity_davies as log_activity_davies,
    pka_prime as pka_prime,
)
from .inversion import (
    BUDGET_CAMERA as BUDGET_CAMERA,
    BUDGET_COLOR as BUDGET_COLOR,
    BUDGET_PKA as BUDGET_PKA,
    PKA_SHIFT as PKA_SHIFT,
    PRINTED_STATES as PRINTED_STATES,
    RATIO as RATIO,
    Evidence as Evidence,
    PhPosterior as PhPosterior,
    SignalSamples as SignalSamples,
    State as State,
    fit_family as fit_family,
    infer_ph as infer_ph,
    quantiles as quantiles,
    weigh_members as weigh_members,
)
from .print_sheets import (
    render_card_sheet as render_card_sheet,
    render_chart_sheet as render_chart_sheet,
    render_tag_sheet as render_tag_sheet,
)
from .profile import (
    DIRECTIONS as DIRECTIONS,
    USUAL_LOAD_INDEX as USUAL_LOAD_INDEX,
    KnownSample as KnownSample,
    Profile as Profile,
    estimate_parameters as estimate_parameters,
    read_profile as read_profile,
    validity as validity,
    write_profile as write_profile,
)
from .reference import (
    CHART_PH as CHART_PH,
    GrayPatch as GrayPatch,
    Rect as Rect,
    Reference as Reference,
    ReferenceName as ReferenceName,
    chart_patches as chart_patches,
    load_card as load_card,
    load_references as load_references,
    load_tag as load_tag,
)
