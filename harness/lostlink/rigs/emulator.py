"""The process of an emulated 32-bit microcontroller board, which ends with this process.

The host writes words into the board's memory: the mode of the image, the value of its counter, and that its program is
held in reset until it is commanded to start.

lock-step
    Instructions are counted, each takes 32 ns, and sleep is not used. The image reads the bytes for its port, with the
    instants at which they count as received, from a pipe, and is paused while it waits for more. A run is therefore
    the same to the microsecond, regardless of the host's speed and load.
in real time
    The image's two serial ports are TCP ports; time is the host's.

In lock-step an image can ask the emulator to open files. Where the system has Landlock, the emulator can open no files
but its own (`sandbox`). Elsewhere it can open all of this user: run your own images only.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import select
import shutil
import socket
import struct
import subprocess
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Final, Self

from lostlink.bench import codec
from lostlink.children import end, start_python
from lostlink.errors import ReceiverError, RigError
from lostlink.files import need_regular_file
from lostlink.rigs import sandbox
from lostlink.rigs.firmware import RECEIVER

EMULATOR: Final = "qemu-system-arm"
_MACHINE: Final = "mps2-an385"
"""The emulator's name for the machine; used here only."""
_STRAPS: Final = 0x2000_3FF0
_LOCKSTEP: Final = 0x504C_4B31
_INSTRUCTION_SHIFT: Final = 5
INSTRUCTION_NS: Final = 1 << _INSTRUCTION_SHIFT
"""What every instruction takes in lock-step; on a small microcontroller 60 ns to 1 us, common practice, no source."""
_START_S: Final = 10.0
PATIENCE_S: Final = 20.0
"""The emulator answers after each second of its own time, which takes about 0.1 s."""
_SLICE_US: Final = 1_000_000
_MOST_OUTPUT: Final = 1 << 22
"""Bytes in a slice; the busiest image sends a twentieth of it."""
_BLOCK: Final = 1024
_BENCH, _EDGES, _DONE, _LOST = range(4)
_TO_BOARD, _FROM_BOARD = "to_board", "from_board"


class LostError(Exception):
    """The image's program crashed or hung.

    Attributes
    ----------
    why : str
    call : int
        The running function, as an index into `lostlink.rigs.firmware.RECEIVER`; 0 for none.
    at_us : int
        Value of the counter, unwrapped.
    """

    def __init__(self, why: str, call: int, at_us: int) -> None:
        super().__init__(why)
        self.why, self.call, self.at_us = why, call, at_us


_WHY: Final = {
    1: "the program died (the processor raised a fault)",
    2: "does not return (the watchdog waited 1 s)",
}
_OVERWROTE: Final = "the program overwrote foreign memory (the image cannot read its commands)"
_BY_THE_IMAGE: Final = 0
"""The emulator's exit code when the image ended it."""
_LOCKED_UP: Final = "the program died (the processor locked up: a fault within a fault)"


def sandboxed() -> str:
    """Return which files an image can open here, for the evidence."""
    if version := sandbox.landlock_version():
        return f"Landlock {version}: the image cannot open files of this computer"
    return "none on this system: the image can open files of this user; run your own images only"


OUR_IMAGE: Final = "is it an image of `make -C fixtures/board image`?"


def find_emulator() -> str:
    """Return the path of the emulator.

    Raises
    ------
    RigError
        If it is not installed.
    """
    path = shutil.which(EMULATOR)
    if path is None:
        raise RigError("the emulator is not installed; `ci/emulated --install` installs it")
    return path


def check_image(where: str, image: str) -> None:
    """Raise an error if a file cannot be an image.

    Raises
    ------
    ReceiverError
        If it cannot be read, or is not a program for the emulated microcontroller.
    """
    wanted = "allowed: an image that `make -C fixtures/board image` built"
    try:
        need_regular_file(image)
        with open(image, "rb") as file:
            head = file.read(20)
    except OSError as error:
        raise ReceiverError(f"--rig {where}: {image or 'no file'}: {error.strerror or error}; {wanted}") from None
    if len(head) < 20 or head[:6] != b"\x7fELF\x01\x01" or head[18:20] != b"\x28\x00":
        raise ReceiverError(f"--rig {where}: {image}: not a program for the emulated microcontroller; {wanted}")


class _Emulator:
    """The process.

    Attributes
    ----------
    gone : str
        How it ended before `close`; empty if it did not.
    """

    gone = ""

    def __init__(
        self,
        image: str,
        lane: int,
        counter_us: int,
        words: list[str],
        folder: str | None = None,
        hand_over: Iterable[int] = (),
    ) -> None:
        program, image = find_emulator(), str(Path(image).resolve())
        allowed = sandbox.rules(program, image, folder) if sandbox.landlock_version() else {}
        self._log = tempfile.TemporaryFile()  # noqa: SIM115  closed in `close`
        self._process = start_python(
            [
                "-I", "-S", sandbox.__file__, str(os.getpid()), *sandbox.words(allowed), program,
                "-M", _MACHINE, "-nodefaults", "-nic", "none", "-display", "none", "-kernel", image,
                "-device", f"loader,addr={_STRAPS:#x},data={lane:#x},data-len=4",
                "-device", f"loader,addr={_STRAPS + 4:#x},data={counter_us:#x},data-len=4",
                "-device", f"loader,addr={_STRAPS + 8:#x},data=1,data-len=4",
                *words,
            ],
            cwd=folder, stdin=subprocess.DEVNULL, stdout=self._log, stderr=self._log, hand_over=hand_over,
        )  # fmt: skip

    def ended(self) -> str:
        """Return how the process ended; empty while it runs."""
        code = self._process.poll()
        if code is None:
            return ""
        with contextlib.suppress(OSError, ValueError):
            self._log.seek(0)
            lines = [line for line in self._log.read().decode(errors="replace").splitlines() if "warning" not in line]
            fatal = [line for line in lines if "fatal" in line] or lines[-1:]
            reason = fatal[0].removeprefix(f"{EMULATOR}: ") if fatal else f"exit code {code}"
            return f"the emulator ended unexpectedly ({reason})"
        return f"the emulator ended unexpectedly (exit code {code})"

    def waited_ns(self) -> int:
        """Return how long the emulator's threads have waited for a processor so far, in sum; 0 where unknown [1]_.

        .. [1] Linux kernel documentation, Scheduler Statistics: the second number of schedstat.
        """
        waited_ns = 0
        tasks = f"/proc/{self._process.pid}/task"
        with contextlib.suppress(OSError, ValueError, IndexError):
            for task in os.listdir(tasks):
                waited_ns += int(Path(tasks, task, "schedstat").read_text("ascii").split()[1])
        return waited_ns

    def close(self) -> None:
        """End the process."""
        self.gone = self.ended()
        end(self._process)
        self._log.close()


@dataclasses.dataclass(slots=True)
class PortOutput:
    """Output of an image's two ports in at most a second.

    Attributes
    ----------
    since_us : int
        Value of the counter at the start of that time, unwrapped.
    bench, edges : bytearray
    """

    since_us: int
    bench: bytearray = dataclasses.field(default_factory=bytearray)
    edges: bytearray = dataclasses.field(default_factory=bytearray)


class LockStep(_Emulator):
    """An image in lock-step.

    Parameters
    ----------
    image : str
    counter_us : int
        Value of the board's counter at power-on.

    Attributes
    ----------
    now_us : int
        Value of its counter now, unwrapped; it is paused there.
    outputs : list of PortOutput
        Output during the last `play`, up to a crash.

    Raises
    ------
    RigError
        If the emulator does not start, or the image does not ask for orders.
    """

    def __init__(self, image: str, counter_us: int = 0) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="lostlink-")
        self._pipes: list[int] = []
        self._rest = b""
        self.outputs: list[PortOutput] = []
        self.now_us = 0
        try:
            for name in (_TO_BOARD, _FROM_BOARD):
                path = Path(self._folder.name) / name
                os.mkfifo(path)
                self._pipes.append(os.open(path, os.O_RDWR))  # both ways, so that neither side waits for the other
            super().__init__(
                image, _LOCKSTEP, counter_us,
                ["-semihosting-config", "enable=on,target=native", "-icount", f"shift={_INSTRUCTION_SHIFT},sleep=off"],
                self._folder.name,
            )  # fmt: skip
        except BaseException:
            self._let_go()
            raise
        try:
            for _ in self._until_done(_START_S):
                pass
        except LostError as error:
            self.close()
            raise RigError(f"{error.why}, before the first command") from None
        except BaseException:
            self.close()
            raise
        self._folder.cleanup()  # both sides have opened the pipes

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the process, and remove its pipes."""
        super().close()
        self._let_go()

    def _let_go(self) -> None:
        for pipe in self._pipes:
            os.close(pipe)
        self._pipes.clear()
        self._folder.cleanup()

    def play(self, orders: Iterable[tuple[int, bytes]], until_us: int) -> None:
        """Run until an instant; send bytes to the board at ascending instants of its counter.

        The output of the two ports is in `outputs`.

        Raises
        ------
        LostError
            If the program crashed or hung.
        RigError
            If the emulator ended or the image sends invalid data.
        """
        self.outputs = []
        block = bytearray()
        begun_us = at_us = self.now_us

        def send() -> None:
            os.write(self._pipes[0], struct.pack("<H", len(block)) + block)
            block.clear()
            output = PortOutput(self.now_us)
            self.outputs.append(output)
            for port, data in self._until_done(PATIENCE_S):
                (output.edges if port == _EDGES else output.bench).extend(data)

        def add(due_us: int, data: bytes) -> None:
            nonlocal begun_us, at_us
            if len(block) + 5 + len(data) > _BLOCK:
                send()
                begun_us = at_us
            block.extend(struct.pack("<IB", due_us & 0xFFFF_FFFF, len(data)) + data)
            at_us = due_us

        for due_us, data in (*orders, (until_us, b"")):
            while due_us - begun_us > _SLICE_US:
                end_us = begun_us + _SLICE_US
                add(end_us, b"")
                send()
                begun_us = end_us
            add(due_us, data)
        send()

    def _endless(self, counter_us: int) -> int:
        return self.now_us + ((counter_us - self.now_us) & 0xFFFF_FFFF)

    def _until_done(self, patience_s: float) -> Iterable[tuple[int, bytes]]:
        """Yield the output until the image waits for more."""
        until_s, received = time.monotonic() + patience_s, 0
        while True:
            while len(self._rest) >= 2 and len(self._rest) >= (end := 2 + self._rest[1]):
                kind, data, self._rest = self._rest[0], self._rest[2:end], self._rest[end:]
                if kind in (_BENCH, _EDGES):
                    yield kind, data
                elif kind == _DONE and len(data) == 4:
                    self.now_us = self._endless(int.from_bytes(data, "little"))
                    return
                elif kind == _LOST and len(data) == 6 and data[0] in _WHY and data[1] < len(RECEIVER.functions):
                    why, call, at_us = struct.unpack("<BBI", data)
                    raise LostError(_WHY[why], call, self._endless(at_us))
                else:
                    raise RigError(f"the image sends invalid data (a record {kind} of {len(data)} bytes); {OUR_IMAGE}")
            ready, _, _ = select.select([self._pipes[1]], [], [], 0.2)
            if ready:
                data = os.read(self._pipes[1], 1 << 16)
                self._rest += data
                received += len(data)
                if received > _MOST_OUTPUT:
                    raise RigError(f"the image floods its ports ({received} bytes and no end); {OUR_IMAGE}")
            elif gone := self.ended():
                if "Lockup" in gone:
                    raise LostError(_LOCKED_UP, 0, self.now_us)
                if self._process.returncode == _BY_THE_IMAGE:
                    raise LostError(_OVERWROTE, 0, self.now_us)
                raise RigError(gone)
            if time.monotonic() > until_s:
                raise RigError(f"the image is not responding (no request in {patience_s:g} s); {OUR_IMAGE}")


class RealTime(_Emulator):
    """An image in real time.

    Attributes
    ----------
    port : str
        URL of the port that speaks the bench protocol.
    """

    def __init__(self, image: str, counter_us: int = 0) -> None:
        with contextlib.ExitStack() as stack:
            # Opened here and inherited, so that no other program can take the ports.
            ports = {name: stack.enter_context(socket.create_server(("127.0.0.1", 0))) for name in ("bench", "edges")}
            for port in ports.values():
                port.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # inherited by accepted connections
            words = [
                word
                for name, port in ports.items()
                for word in (
                    "-chardev", f"socket,id={name},fd={port.fileno()},server=on,wait=off", "-serial", f"chardev:{name}"
                )
            ]  # fmt: skip
            super().__init__(image, 0, counter_us, words, hand_over=[port.fileno() for port in ports.values()])
            self.port = f"socket://127.0.0.1:{ports['bench'].getsockname()[1]}"
            try:
                self._line = socket.create_connection(ports["edges"].getsockname())
            except BaseException:
                super().close()
                raise
        self._line.setblocking(False)
        self._edges = codec.Decoder()

    def edges(self) -> list[codec.Message]:
        """Return the messages of the port that reports edges; call it often enough that the port does not fill."""
        messages: list[codec.Message] = []
        with contextlib.suppress(BlockingIOError, OSError):
            while data := self._line.recv(1 << 16):
                messages += self._edges.feed(data)
        return messages

    def close(self) -> None:
        """End the process, and close its port."""
        super().close()
        self._line.close()
