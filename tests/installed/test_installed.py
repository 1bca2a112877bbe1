"""The installed program, compiled and plain: a class for each, so that ``--dist loadscope`` installs each but once."""

from __future__ import annotations

import os

import pytest

from tests.installed.documented import ENDINGS, OF_THE_CHECKOUT, example, readme_lines
from tests.installed.every_command import HELP, LINES, EveryCommand
from tests.installed.installation import ROOT
from tests.installed.many_recordings import ManyRecordings

pytestmark = pytest.mark.timeout(1800)  # a guard against hanging; on two free processors all takes minutes


class TestCompiled(ManyRecordings, EveryCommand):
    kind = "compiled"


class TestPlain(ManyRecordings, EveryCommand):
    kind = "plain"


def test_the_readme_was_read() -> None:
    assert len(LINES) > 12
    assert set(OF_THE_CHECKOUT) <= set(readme_lines())
    for path in OF_THE_CHECKOUT:
        assert os.access(ROOT / path, os.X_OK)
    # All that is known to end otherwise is still said somewhere.
    assert set(ENDINGS) <= {*LINES, *map(example, HELP)}
