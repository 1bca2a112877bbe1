"""A machine with a kernel of its own: QEMU without acceleration, this system's root shared read-only.

The kernel is the one that the distribution installs (Debian: linux-image-amd64). What is not installed fails
the test with the name of the package.
"""

from __future__ import annotations

import gzip
import lzma
import os
import platform
import queue
import re
import shlex
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import components
import pytest

ROOT = Path(__file__).resolve().parents[2]
_MODULES = ("virtio_pci", "9pnet_virtio", "9p", "uinput", "evdev")
_APT = "apt-get install qemu-system-x86 linux-image-amd64 busybox-static cpio kmod"
_MEGABYTES = 2048
OTHER_PROCESSOR = "needs an x86_64 computer: its kernel and programs run in an emulated machine of that kind"


def _need(name: str) -> str:
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin:/bin")
    if found is None:
        pytest.fail(f"the emulated machine needs {name}; on Debian: {_APT}")
    return found


@dataclass(frozen=True)
class Kernel:
    """An installed kernel: its image and its modules."""

    image: Path
    modules: Path

    @classmethod
    def find(cls) -> Kernel:
        """The newest with an image and the modules; fails the test when there is none."""
        for modules in sorted(Path("/lib/modules").glob("*"), key=_version, reverse=True):
            for image in (Path(f"/boot/vmlinuz-{modules.name}"), modules / "vmlinuz"):
                kernel = cls(image, modules)
                if image.exists() and (modules / "modules.dep").exists() and not kernel.lacks(_MODULES):
                    if not os.access(image, os.R_OK):
                        pytest.fail(f"the kernel {image} may not be read by this user: chmod a+r it")
                    return kernel
        pytest.fail(
            f"the emulated machine needs a kernel below /boot and /lib/modules that has {', '.join(_MODULES)}; "
            f"on Debian: {_APT}"
        )

    def lacks(self, names: Sequence[str]) -> list[str]:
        """Which of these modules it has neither beside it nor built in."""
        depends, built_in = self._modules()
        return [name for name in names if name not in depends and name not in built_in]

    def _modules(self) -> tuple[dict[str, tuple[Path, list[str]]], set[str]]:
        """Each module's file and what it needs, and the names of those that are built in."""
        depends: dict[str, tuple[Path, list[str]]] = {}
        for line in (self.modules / "modules.dep").read_text().splitlines():
            path, _, rest = line.partition(":")
            depends[_name(path)] = (self.modules / path, [_name(each) for each in rest.split()])
        listed = self.modules / "modules.builtin"
        built_in = {_name(line) for line in listed.read_text().splitlines()} if listed.exists() else set()
        return depends, built_in

    def needed(self, names: Sequence[str]) -> list[Path]:
        """Files of these modules and of what they need, in the order of loading; none for what is built in."""
        depends, built_in = self._modules()
        order: list[Path] = []

        def add(name: str) -> None:
            if name in built_in:
                return
            path, before = depends[name]
            for each in before:
                add(each)
            if path not in order:
                order.append(path)

        for name in names:
            add(name)
        return order


def _version(folder: Path) -> list[int]:
    return [int(part) for part in re.findall(r"\d+", folder.name)]


def _name(path: str) -> str:
    return Path(path).name.partition(".ko")[0].replace("-", "_")


def _plain_module(path: Path) -> bytes:
    """A module as the kernel takes it, whichever way the distribution packs it."""
    data = path.read_bytes()
    match path.suffix:
        case ".ko":
            return data
        case ".xz":
            return lzma.decompress(data)
        case ".gz":
            return gzip.decompress(data)
        case ".zst":
            return subprocess.run([_need("zstd"), "-dc", str(path)], capture_output=True, check=True).stdout
    pytest.fail(f"a kernel module packed in a way that is not known here: {path}")


def _scratch(used: Sequence[Path]) -> str:
    """A folder of the root that nothing of ``used`` lies in, for the machine's own files in memory."""
    for folder in ("/run", "/mnt", "/srv", "/media", "/tmp"):
        if Path(folder).is_dir() and not any(path.is_relative_to(folder) for path in used):
            return folder
    pytest.fail("no folder is free for the machine's own files")


_INIT = """#!/bin/sh
/bin/busybox --install -s /bin
export PATH=/bin
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs dev /dev
for module in /modules/*; do insmod "$module"; done
mount -t 9p -o trans=virtio,version=9p2000.L,ro,cache=loose,msize=262144 host /r
mount -t devtmpfs dev /r/dev
mount -t proc proc /r/proc
mount -t sysfs sysfs /r/sys
mount -t tmpfs own /r{scratch}
mkdir -m 700 /r{scratch}/home
ip link set lo up
chroot /r /usr/bin/env -i {environment} {command}
echo "@@ ended $?"
poweroff -f
"""


def _initial_files(folder: Path, kernel: Kernel, command: Sequence[str], layout: str) -> Path:
    """The initial RAM disk: busybox, the modules, and what to run."""
    busybox = Path(_need("busybox"))
    if b"/ld-linux" in busybox.read_bytes()[:4096]:
        pytest.fail(f"{busybox} is not the static one; on Debian: {_APT}")
    root = folder / "initial"
    for name in ("bin", "proc", "sys", "dev", "r", "modules"):
        (root / name).mkdir(parents=True)
    shutil.copy(busybox, root / "bin/busybox")
    (root / "bin/sh").symlink_to("busybox")
    for number, path in enumerate(kernel.needed(_MODULES)):
        (root / f"modules/{number:02}.ko").write_bytes(_plain_module(path))
    scratch = _scratch([ROOT, Path(sys.prefix), Path(sys.base_prefix)])
    home = f"{scratch}/home"
    environment = {
        "PATH": "/usr/local/bin:/usr/bin:/bin:/usr/sbin:/sbin",
        "LANG": "C.UTF-8",
        "PYTHONDONTWRITEBYTECODE": "1",
        "XKB_DEFAULT_LAYOUT": layout,
        **dict.fromkeys(("HOME", "TMPDIR", "XDG_RUNTIME_DIR", "XDG_CONFIG_HOME"), home),
    }
    init = _INIT.format(
        scratch=scratch,
        environment=" ".join(shlex.quote(f"{name}={value}") for name, value in environment.items()),
        command=shlex.join(command),
    )
    (root / "init").write_text(init)
    (root / "init").chmod(0o755)
    names = "\n".join(str(path.relative_to(root)) for path in sorted(root.rglob("*")))
    packed = subprocess.run(
        [_need("cpio"), "-o", "-H", "newc", "--quiet"],
        cwd=root,
        input=names.encode(),
        capture_output=True,
        check=True,
    )
    image = folder / "initial.img"
    image.write_bytes(gzip.compress(packed.stdout, 1))
    return image


class Machine:
    """Boots, runs one command, and gives the lines that it prints."""

    def __init__(self, folder: Path, command: Sequence[str], *, layout: str = "us") -> None:
        """``command``: seen from this system's root, which the machine has read-only."""
        if platform.machine() != "x86_64":
            pytest.skip(OTHER_PROCESSOR)
        kernel = Kernel.find()
        self._process = subprocess.Popen(
            [
                _need("qemu-system-x86_64"),
                *("-accel", "tcg,thread=multi", "-cpu", "max", "-m", str(_MEGABYTES), "-smp", "2"),
                *("-nographic", "-no-reboot", "-nic", "none", "-kernel", str(kernel.image)),
                *("-initrd", str(_initial_files(folder, kernel, command, layout))),
                *("-append", "console=ttyS0 quiet panic=1"),
                "-virtfs",
                "local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap",
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        self.said: list[str] = []
        self._lines: queue.Queue[str | None] = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._lines.put(line.decode(errors="replace").rstrip())
        self._lines.put(None)

    def lines(self, within_s: float) -> Iterator[str]:
        """What it prints until it is off; fails the test when that takes too long."""
        end_s = time.monotonic() + within_s
        while True:
            try:
                line = self._lines.get(timeout=max(0.0, end_s - time.monotonic()))
            except queue.Empty:
                pytest.fail(f"the emulated machine took longer than {within_s:g} s:\n" + self.tail())
            if line is None:
                return
            self.said.append(line)
            yield line

    def tail(self) -> str:
        return "\n".join(self.said[-40:])

    def close(self) -> None:
        components.end(self._process)
