from .readings import (
    print_batch as print_batch,
    print_cautions as print_cautions,
    print_entries as print_entries,
    print_reading as print_reading,
    print_summary as print_summary,
)
from .tanks import (
    print_events as print_events,
    print_now as print_now,
    print_plan as print_plan,
    print_tank as print_tank,
    print_tanks as print_tanks,
)
from .terminal import Terminal as Terminal
