"""The C core with a fault in it, built for the host, on the full endpoint."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from fault import Fault, read_faults
from suite import HERE, PYTHON, Verdict, cheap_first, first_to_find

from firmware_protocol.conformance import Check, Endpoint

FIRMWARE = PYTHON / "firmware"
CORE = FIRMWARE / "core"
_CPU_SECONDS = 5
"""What a board may use up in one check before it counts as hanging; a right one takes two."""
_FLAGS = (
    *("-std=c99", "-O1", "-w", "-D_GNU_SOURCE", "-fsanitize=undefined,bounds"),
    *("-fsanitize-undefined-trap-on-error", f"-I{FIRMWARE / 'port_host'}"),
)


@dataclass(frozen=True, kw_only=True)
class Build:
    """What is chosen when a board is built, and what its checks have to know of it."""

    name: str
    relay_count: int
    park_state: int = 0
    forbidden_state: int | None = None
    defines: tuple[str, ...] = ()
    arguments: tuple[str, ...] = ()

    @property
    def all_defines(self) -> list[str]:
        """Everything the compiler is told."""
        told = [f"-DRUNG_RELAY_COUNT={self.relay_count}", f"-DRUNG_PARK_STATE={self.park_state}"]
        if self.forbidden_state is not None:
            told.append(f"-DRUNG_FORBIDDEN_STATE={self.forbidden_state}")
        return [*told, *self.defines]


BUILDS = (
    Build(
        name="eighteen relays",
        relay_count=18,
        park_state=0x20000,
        forbidden_state=6,
        defines=("-DRUNG_MAX_PAYLOAD=100",),
        arguments=("--boots", "254"),
    ),
    Build(
        name="eight relays, four states, nothing to sense",
        relay_count=8,
        defines=("-DRUNG_MAX_PATH=4", '-DRUNG_NAME=""'),
        arguments=("--no-converter",),
    ),
)


class WillNotCompile(Exception):  # noqa: N818 - a finding about the fault
    """The compiler refuses a fault, which is then none."""


def _load_boards() -> ModuleType:
    if "boards" not in sys.modules:
        path = HERE.parents[1] / "firmware" / "boards.py"
        spec = importlib.util.spec_from_file_location("boards", path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["boards"] = module
        spec.loader.exec_module(module)
    return sys.modules["boards"]


def _mortal(board: Any) -> Any:
    """Return a board like another that may end at any time and leaves nothing open then."""

    class MortalBoard(board):  # type: ignore[misc]
        def __init__(self, *arguments: Any, **more: Any) -> None:
            try:
                super().__init__(*arguments, **more)
            except BaseException:
                self.close()
                raise

        def close(self) -> None:
            process = self._process
            with suppress(OSError):
                process.stdin.close()
            process.stdout.close()
            process.kill()
            process.wait()

    return MortalBoard


class CoreBuilder:
    """Builds the host port around cores with faults; what has no fault is compiled once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._make = _mortal(_load_boards().HostBoard)
        self._host: dict[str, list[Path]] = {}
        self._objects: dict[tuple[str, str], Path] = {}

    def _compile(self, build: Build, source: Path, product: Path) -> Path:
        done = subprocess.run(
            ["gcc", *_FLAGS, *build.all_defines, f"-I{CORE}", "-c", source, "-o", product],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode != 0:
            raise WillNotCompile(done.stderr)
        return product

    def _object(self, build: Build, source: Path) -> Path:
        key = (build.name, source.name)
        if key not in self._objects:
            number = len(self._objects)
            product = self._folder / f"{number}-{source.stem}.o"
            self._objects[key] = self._compile(build, source, product)
        return self._objects[key]

    def program(self, build: Build, changed: dict[str, str]) -> Path:
        """Return the host port with other text for some of the core's sources.

        Raises WillNotCompile.
        """
        parts = [self._object(build, path) for path in (FIRMWARE / "port_host").glob("*.c")]
        for path in CORE.glob("*.c"):
            if path.name not in changed:
                parts.append(self._object(build, path))
                continue
            copy = self._folder / f"faulty-{path.name}"
            copy.write_text(changed[path.name])
            parts.append(self._compile(build, copy, copy.with_suffix(".o")))
        program = self._folder / "faulty-host"
        program.unlink(missing_ok=True)  # it may still run
        subprocess.run(["gcc", *_FLAGS, *parts, "-o", program], check=True)
        return program

    def endpoint(self, build: Build, program: Path) -> Callable[[], Endpoint]:
        """Return a maker of endpoints for a program."""
        limit = f'ulimit -t {_CPU_SECONDS}; exec "$@"'
        command = ["sh", "-c", limit, "sh", program, *build.arguments]
        return lambda: self._make(command, forbidden_state=build.forbidden_state)

    def judge(
        self, name: str, changed: dict[str, str], checks: list[Check], builds: tuple[Build, ...]
    ) -> Verdict:
        """Run the checks over each build until one finds the fault. Raises WillNotCompile."""
        verdict = Verdict(name=name)
        for build in builds:
            program = self.program(build, changed)
            verdict = first_to_find(name, self.endpoint(build, program), checks)
            if verdict.found:
                break
        return verdict

    def judge_fault(self, fault: Fault, checks: list[Check] | None = None) -> Verdict:
        """Run the checks, that which ought to find a fault first."""
        changed = {
            edit.file: fault.apply(edit.file, (CORE / edit.file).read_text())
            for edit in fault.edits
        }
        return self.judge(fault.name, changed, checks or cheap_first(fault.found_by), BUILDS)


def core_faults() -> list[Fault]:
    """Return the faults of the C core made by hand."""
    return read_faults(HERE / "core.faults")
