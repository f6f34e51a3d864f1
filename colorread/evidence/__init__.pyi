from .picture import is_evidence as is_evidence, small_evidence as small_evidence, write_evidence as write_evidence
