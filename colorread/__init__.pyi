from .reading import read_photo as read_photo
from .result import Reading as Reading

__version__: str
