from __future__ import annotations

import hypothesis

# The same examples on every run, and no time limit on machines that do other work too.
hypothesis.settings.register_profile("colorread", derandomize=True, deadline=None)
hypothesis.settings.load_profile("colorread")
