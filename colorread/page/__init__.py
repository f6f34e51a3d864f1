"""The local page: photos from a phone, read on this machine and kept in the same log as those of the command line."""
