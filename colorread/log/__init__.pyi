from .forget import Leftovers as Leftovers, forget_readings as forget_readings, forget_tank as forget_tank
from .lines import (
    check_lines as check_lines,
    export_lines as export_lines,
    import_lines as import_lines,
    lines_in as lines_in,
)
from .paths import (
    default_log_path as default_log_path,
    phones_folder as phones_folder,
    photo_path as photo_path,
    undecided_path as undecided_path,
)
from .store import (
    Damage as Damage,
    DiskFull as DiskFull,
    Log as Log,
    LogEntry as LogEntry,
    LogError as LogError,
    LogFailure as LogFailure,
)
