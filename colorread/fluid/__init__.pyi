from .chart import ChartColors as ChartColors, measure_chart as measure_chart, shows_chart as shows_chart
from .find import (
    Rectangle as Rectangle,
    color_map as color_map,
    find_vial as find_vial,
    point_at_vial as point_at_vial,
    require_enough_pixels as require_enough_pixels,
)
from .signal import FluidSignal as FluidSignal, measure_fluid as measure_fluid
