from .balance import (
    CLIPPED_U8 as CLIPPED_U8,
    FILM_SEEN as FILM_SEEN,
    NEVER_CUT_OFF as NEVER_CUT_OFF,
    Balance as Balance,
    balance_view as balance_view,
    median as median,
)
from .find import find_references as find_references
from .plane import (
    ENOUGH_PX_PER_MM as ENOUGH_PX_PER_MM,
    VIEW_PX_PER_MM as VIEW_PX_PER_MM,
    CardView as CardView,
    ReferenceFit as ReferenceFit,
    view_card as view_card,
)
