"""Compiles the modules that every sample passes through, by mypyc, into the wheel.

A wheel that cannot be compiled (no C compiler, no headers) is built as plain Python and does the same, only
slower. The environment variable ``BIOSIGNAL_BRIDGE_COMPILE`` may say ``no`` (plain Python) or ``must`` (else
fail). Editable installations are never compiled: there the source that is edited is the source that runs.
DEVELOPERS.md has more under "Compiled modules".
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

# Other packages count as untyped, so that what is built does not depend on what is installed beside.
_TYPES = "[mypy]\nignore_missing_imports = True\nno_site_packages = True\nfollow_imports = silent\n"
# No fused multiply-add, which would round otherwise than Python does. More than -O1 gains nothing that can be
# measured and takes twice as long to compile, and so does looking for what deserves a warning. Without the
# detour of calls by way of a table the daemon takes a twentieth less time.
_UNIX_OPTIONS = (
    "-O1",
    "-Wno-all",
    "-g0",
    "-ffp-contract=off",
    "-fno-plt",
    "-fno-semantic-interposition",
    "-fvisibility=hidden",
)
_SETUP = """
import os, sys
from mypyc.build import mypycify
from setuptools import setup

modules = mypycify(["--config-file", "types.ini", *sys.argv.pop().split()], group_name="bridge")
for module in modules:
    if os.name == "posix":
        kept = [option for option in module.extra_compile_args if option != "-Werror"]
        module.extra_compile_args = [*kept, *{options!r}]
setup(name="compiled", packages=[], ext_modules=modules)
"""


class CompileHook(BuildHookInterface[Any]):
    """Called by the build backend."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        how = os.environ.get("BIOSIGNAL_BRIDGE_COMPILE", "try")
        if self.target_name != "wheel" or version == "editable" or how == "no":
            return
        self._folder = tempfile.TemporaryDirectory()
        folder = Path(self._folder.name)
        try:
            built = compile_modules(Path(self.root), self.config["modules"], folder)
        except (OSError, subprocess.CalledProcessError) as error:
            why = getattr(error, "stdout", None) or str(error)
            if how == "must":
                raise RuntimeError(f"the modules could not be compiled:\n{why}") from error
            self.app.display_warning(
                f"Built as plain Python, which does the same but takes more processor time:\n{why}"
            )
            return
        build_data["pure_python"] = False
        build_data["infer_tag"] = True
        build_data["force_include"].update({str(file): str(file.relative_to(folder)) for file in built})

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        folder = getattr(self, "_folder", None)
        if folder is not None:
            folder.cleanup()


def compile_modules(root: Path, modules: list[str], folder: Path) -> list[Path]:
    """The compiled modules' files, below ``folder``.

    Raises OSError, or CalledProcessError with what the compiler said.
    """
    shutil.copytree(root / "bridge", folder / "bridge", ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "types.ini").write_text(_TYPES)
    (folder / "setup.py").write_text(_SETUP.format(options=_UNIX_OPTIONS))
    files = [f"{module.replace('.', '/')}.py" for module in modules]
    subprocess.run(
        [sys.executable, "setup.py", "--quiet", "build_ext", "--inplace", " ".join(files)],
        cwd=folder, check=True, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    shutil.rmtree(folder / "build", ignore_errors=True)
    return [file for suffix in ("*.so", "*.pyd") for file in folder.rglob(suffix)]
