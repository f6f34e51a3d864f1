from .balance import Balance as Balance, balance_view as balance_view
from .density import (
    BLACK_U8 as BLACK_U8,
    CLIPPED_U8 as CLIPPED_U8,
    LEAST_LIGHT as LEAST_LIGHT,
    density_of as density_of,
    median as median,
    median_density as median_density,
)
from .find import ReferenceFit as ReferenceFit, find_references as find_references
from .grays import FILM_SEEN as FILM_SEEN, overexposed as overexposed
from .plane import PlaneMap as PlaneMap
from .view import ENOUGH_PX_PER_MM as ENOUGH_PX_PER_MM, CardView as CardView, view_card as view_card
