from .database import DiskFull as DiskFull, LogError as LogError, LogFailure as LogFailure
from .lines import (
    check_lines as check_lines,
    export_lines as export_lines,
    import_lines as import_lines,
    lines_in as lines_in,
)
from .store import (
    Damage as Damage,
    Leftovers as Leftovers,
    Log as Log,
    LogEntry as LogEntry,
    default_log_path as default_log_path,
    forget_readings as forget_readings,
    forget_tank as forget_tank,
    phones_folder as phones_folder,
    photo_path as photo_path,
    undecided_path as undecided_path,
)
