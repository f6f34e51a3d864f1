from __future__ import annotations

from collections.abc import Iterator

import hypothesis
import pytest

# The same examples on every run, and no time limit on machines that do other work too.
hypothesis.settings.register_profile("colorread", derandomize=True, deadline=None)
hypothesis.settings.load_profile("colorread")


@pytest.fixture(scope="session", autouse=True)
def _log_of_nobody(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the log and the default profiles of whoever runs the tests out of them, and the tests out of these."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLORREAD_LOG", str(tmp_path_factory.mktemp("nobody") / "log.sqlite"))
        yield
