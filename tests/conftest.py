"""For all tests: which examples the property tests draw is told, and can be drawn again."""

from __future__ import annotations

import secrets

import pytest
from hypothesis import settings

# No deadline: how long an example takes on a busy machine says nothing of what it tests.
settings.register_profile(
    "local", settings.get_profile("default"), print_blob=True, deadline=None
)
if settings.get_current_profile_name() == "default":
    # In CI hypothesis has set its own profile, which draws the same examples every time.
    settings.load_profile("local")


@pytest.hookimpl(tryfirst=True)  # before hypothesis reads the option
def pytest_configure(config: pytest.Config) -> None:
    """Draw a seed where none is given, so that there is one to tell."""
    if config.option.hypothesis_seed is None and not _derandomised(config):
        config.option.hypothesis_seed = str(secrets.randbelow(2**32))


def pytest_sessionstart(session: pytest.Session) -> None:
    """Tell the seed; not in the header, which ``-q`` leaves out."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if reporter is None:
        return  # a worker of several: the session that started it has told
    seed = session.config.option.hypothesis_seed
    again = "drawn alike every time" if seed is None else f"--hypothesis-seed={seed}"
    reporter.write_line(f"property tests: {again}")


def _derandomised(config: pytest.Config) -> bool:
    named = config.option.hypothesis_profile
    profile = settings.get_profile(named) if named else settings.default
    return profile is not None and profile.derandomize
