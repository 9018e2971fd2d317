"""Completion and the manual page: made by one command, and good for a real shell."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from controller.cli.shell_files import main
from controller.cli.verbs import VERBS


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shell")
    assert main(str(folder)) == 0
    return folder


def _offered(made: Path, *words: str) -> set[str]:
    """Return what bash itself completes the last word to."""
    script = (
        f"source {made / 'rungwise.bash'}; COMP_WORDS=({' '.join(map(repr, words))});"
        f"COMP_CWORD={len(words) - 1}; $(complete -p rungwise | sed 's/.*-F \\([^ ]*\\) .*/\\1/');"
        'printf "%s\\n" "${COMPREPLY[@]}"'
    )
    ended = subprocess.run(["bash", "-c", script], capture_output=True, text=True)
    assert ended.returncode == 0, ended.stderr
    return set(ended.stdout.split())


def test_bash_completes_verbs_and_options(made: Path) -> None:
    assert {verb.split()[0] for verb in VERBS} <= _offered(made, "rungwise", "")
    assert _offered(made, "rungwise", "swee") == {"sweep"}
    assert {"--junit", "--json"} <= _offered(made, "rungwise", "sweep", "--j")


def test_the_manual_page_names_every_verb_and_its_options(made: Path) -> None:
    page = (made / "rungwise.1").read_text("utf-8").replace("\\-", "-")
    for verb in VERBS:
        assert f"{verb.split()[-1]}" in page
    assert "--nearest-anyway" in page
