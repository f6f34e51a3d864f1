from .core import Core as Core
from .guard import Access as Access, devices_path as devices_path
from .server import (
    create_app as create_app,
    home_address as home_address,
    listen as listen,
    require_home_address as require_home_address,
    run as run,
)
