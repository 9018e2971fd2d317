"""Whatever else is called `controller` on somebody's path: the program starts with its own."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from controller import __version__

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("rungwise", "controller", "firmware_protocol")
RUN = (
    "import sys, rungwise\n"
    "result = rungwise.run(sys.argv[1])\n"
    "assert result.verdict == 'pass', result.sentence\n"
    "import controller, firmware_protocol.session\n"
    "print(controller.__file__)\n"
)


@pytest.fixture(params=["a package", "a folder", "a file", "one that raises"])
def foreign(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A folder with things in it that bear the names of our packages."""
    folder = tmp_path / "foreign"
    for name in PACKAGES[1:]:
        inside = folder / name
        inside.mkdir(parents=True)
        match request.param:
            case "a package":
                (inside / "__init__.py").write_text("mine = True\n")
                (inside / "cli").mkdir()
                (inside / "cli/__init__.py").touch()
            case "a folder":
                (inside / "readme.txt").touch()
            case "a file":
                inside.rmdir()
                inside.with_suffix(".py").write_text("mine = True\n")
            case _:
                (inside / "__init__.py").write_text("raise RuntimeError('not yours')\n")
    return folder


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The packages alone in a folder, as a wheel leaves them."""
    site = tmp_path_factory.mktemp("site")
    for name in PACKAGES:
        ignored = shutil.ignore_patterns("__pycache__", "firmware")
        shutil.copytree(ROOT / name, site / name, ignore=ignored)
    return site


def ran(
    words: list[str | Path], *, cwd: Path, path: tuple[Path, ...] = ()
) -> subprocess.CompletedProcess[str]:
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join(map(str, path)))
    return subprocess.run(
        words, cwd=cwd, env=environment, capture_output=True, text=True, timeout=120, check=False
    )


SCRIPT = Path(sys.executable).with_name("rungwise")
PLAN = ROOT / "sweeps/coolant-check.toml"


@pytest.mark.parametrize(
    "words", [[SCRIPT], [sys.executable, "-m", "rungwise"]], ids=["script", "-m"]
)
def test_the_installed_command_starts(foreign: Path, words: list[str | Path]) -> None:
    ended = ran([*words, "--version"], cwd=foreign, path=(foreign,))
    assert ended.stderr == ""
    assert ended.stdout == f"rungwise {__version__}\n"
    ended = ran([*words, "links", "--help"], cwd=foreign)
    assert ended.returncode == 0, ended.stderr


def test_a_program_gets_ours(foreign: Path) -> None:
    ended = ran([sys.executable, "-c", RUN, PLAN], cwd=foreign, path=(foreign,))
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout.strip() == str(ROOT / "controller/__init__.py")


@pytest.mark.parametrize("order", ["before", "behind"])
def test_an_unpacked_wheel_uses_its_own_neighbours(
    foreign: Path, unpacked: Path, order: str
) -> None:
    # The editable install of the sources is on the path as well, behind both.
    path = (foreign, unpacked) if order == "before" else (unpacked, foreign)
    ended = ran([sys.executable, "-m", "rungwise", "--help"], cwd=foreign, path=path)
    assert (ended.returncode, ended.stderr) == (0, "")
    code = "import rungwise\nrungwise.StepKind\nimport controller\nprint(controller.__file__)"
    ended = ran([sys.executable, "-c", code], cwd=foreign, path=path)
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout.strip() == str(unpacked / "controller/__init__.py")


def test_the_source_tree_works_without_an_installation(foreign: Path, tmp_path: Path) -> None:
    # -S leaves out the installation; --help needs none of the libraries.
    words = [sys.executable, "-S", "-m", "rungwise", "--help"]
    ended = ran(words, cwd=ROOT, path=(foreign,))
    assert (ended.returncode, ended.stderr) == (0, "")
    assert "usage: rungwise" in ended.stdout


def test_a_foreign_package_that_came_first_is_named_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "controller").mkdir()
    (tmp_path / "controller/__init__.py").touch()
    code = (
        "import controller, rungwise, sys\n"
        "before = list(sys.path)\n"
        "for use in (lambda: rungwise.run, lambda: rungwise.InputError, rungwise._house.claim):\n"
        "    try:\n        use()\n"
        "    except ImportError as error:\n        print(error)\n"
        "assert sys.path == before\n"
        "assert 'firmware_protocol' not in sys.modules\n"
        "assert controller is sys.modules['controller']\n"
    )
    ended = ran([sys.executable, "-c", "import rungwise._house\n" + code], cwd=tmp_path)
    assert ended.returncode == 0, ended.stderr
    said = ended.stdout.splitlines()
    assert len(said) == 3
    assert len(set(said)) == 1
    assert str(tmp_path / "controller/__init__.py") in said[0]
    assert "'controller'" in said[0]


def test_a_command_that_cannot_have_its_own_packages_says_so_without_a_traceback(
    tmp_path: Path,
) -> None:
    code = (
        "import sys, types\n"
        "sys.modules['firmware_protocol'] = types.ModuleType('firmware_protocol')\n"
        "from rungwise.__main__ import main\nsys.exit(main([]))"
    )
    ended = ran([sys.executable, "-c", code], cwd=tmp_path)
    assert ended.returncode == 2
    assert ended.stderr.startswith("rungwise: ")
    assert ended.stderr.count("\n") == 1
    assert "a folder without __init__.py" in ended.stderr


def test_loading_twice_changes_nothing() -> None:
    import controller
    from rungwise._house import claim

    before = list(sys.path)
    claim()
    claim()
    assert sys.path == before
    assert sys.modules["controller"] is controller


def test_help_of_the_command_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom rungwise.__main__ import main\nstatus = main(['--help'])\n"
        "print('LOADED', sorted({name.split('.')[0] for name in sys.modules}))\n"
        "sys.exit(status)"
    )
    ended = ran([sys.executable, "-c", code], cwd=ROOT)
    assert ended.returncode == 0, ended.stderr
    loaded = ended.stdout.split("LOADED")[1]
    for name in ("numpy", "scipy", "textual", "serial", "pathlib", "typing", "pytest"):
        assert f"'{name}'" not in loaded
