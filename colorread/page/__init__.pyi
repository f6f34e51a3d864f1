from .access import (
    devices_path as devices_path,
    home_address as home_address,
    listen as listen,
    require_home as require_home,
)
from .app import create_app as create_app
from .core import make_core as make_core
from .server import run as run
