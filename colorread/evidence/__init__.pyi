from .file import is_evidence as is_evidence
from .picture import small_evidence as small_evidence, write_evidence as write_evidence
