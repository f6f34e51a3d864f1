from .camera import (
    LOAD as LOAD,
    LOG_RATIO as LOG_RATIO,
    direction_deg as direction_deg,
    dye_transmittance as dye_transmittance,
    rgb_lin_under_d65 as rgb_lin_under_d65,
    signal_family as signal_family,
)
from .card_sheet import render_card_sheet as render_card_sheet
from .chart import CHART_PH as CHART_PH, chart_patches as chart_patches, ph_by_chart as ph_by_chart
from .chart_sheet import render_chart_sheet as render_chart_sheet
from .color_space import (
    ColorSpace as ColorSpace,
    encode_srgb as encode_srgb,
    rgb_lin_from_xyz as rgb_lin_from_xyz,
    xyz_from_rgb_lin as xyz_from_rgb_lin,
)
from .dye import PKA_25C_FRESH as PKA_25C_FRESH, PKA_STD as PKA_STD, pka_prime as pka_prime
from .evidence import (
    PKA_SHIFT as PKA_SHIFT,
    PRINTED_STATES as PRINTED_STATES,
    Evidence as Evidence,
    State as State,
    weigh_members as weigh_members,
)
from .family_fit import RATIO as RATIO, SignalSamples as SignalSamples, fit_family as fit_family
from .inversion import (
    BUDGET_CAMERA as BUDGET_CAMERA,
    BUDGET_COLOR as BUDGET_COLOR,
    BUDGET_PKA as BUDGET_PKA,
    PhPosterior as PhPosterior,
    infer_ph as infer_ph,
    quantiles as quantiles,
)
from .profile import (
    DIRECTIONS as DIRECTIONS,
    USUAL_LOAD_INDEX as USUAL_LOAD_INDEX,
    KnownSample as KnownSample,
    Profile as Profile,
    estimate_parameters as estimate_parameters,
    validity as validity,
)
from .profile_file import read_profile as read_profile, write_profile as write_profile
from .reference import (
    GrayPatch as GrayPatch,
    Rect as Rect,
    Reference as Reference,
    ReferenceName as ReferenceName,
    load_card as load_card,
    load_references as load_references,
    load_tag as load_tag,
)
from .tag_sheet import render_tag_sheet as render_tag_sheet
from .tone import (
    GraySamples as GraySamples,
    ToneFit as ToneFit,
    decode_tone as decode_tone,
    fit_tone as fit_tone,
    usual_reflectance as usual_reflectance,
)
from .whole_file import write_whole as write_whole, writing_whole as writing_whole
