from .axes import PLOT_COLORS as PLOT_COLORS
from .calendar import calendar_bytes as calendar_bytes, write_calendar as write_calendar
from .html import report_html as report_html, write_report as write_report
from .plot import week_svgs as week_svgs, write_plot as write_plot
