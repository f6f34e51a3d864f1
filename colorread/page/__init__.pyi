from .access import devices_path as devices_path
from .app import create_app as create_app
from .network import home_address as home_address, listen as listen, require_home as require_home
from .server import make_core as make_core, run as run
