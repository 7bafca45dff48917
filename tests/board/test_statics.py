"""The variables of a library begin anew at each power-on, by restoring its memory or by loading it again.

The oracle is what the C language promises: a variable begins with the value in its declaration (C99, 6.7.8 and 5.1.2).
"""

from __future__ import annotations

import random
import shutil
from array import array
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from board.conftest import BOARD, run
from faulty.links import LINKS
from sims.test_spans import columns

from lostlink.rigs import firmware, statics
from lostlink_sims import Profile, Scenario, simulate
from lostlink_sims.scenario import BrownOut, ReceiverReset

Compile = Callable[..., Path]
LONG = pytest.mark.long

PROGRAM = """
#include "receiver.h"
#include <stdlib.h>
#include <string.h>
{0}
static int number(void);
void receiver_power_on(void *m, uint32_t t) {{ (void)m; (void)t; }}
void receiver_packet(void *m, uint32_t t, const uint8_t *p, uint8_t n) {{ (void)m; (void)t; (void)p; (void)n; }}
bool receiver_turn(void *m, uint32_t t, uint32_t *w) {{ (void)m; (void)t; (void)w; return false; }}
uint8_t receiver_pulses(void *m, uint32_t t, uint16_t *w, uint8_t n)
{{ (void)m; (void)t; (void)n; w[0] = (uint16_t)(1000 + number() % 1000); return 1; }}
bool receiver_failsafe(const void *m) {{ (void)m; return true; }}
uint32_t receiver_interface(void) {{ return 1; }}
"""
"""A receiver that puts out a number of its variables."""

VARIABLES = {
    "initialised": "static int a = 5; static int number(void) { return a++; }",
    "zero": "static int a; static int number(void) { return a++; }",
    "in a function": "static int number(void) { static int a = 7; return a++; }",
    "large": "int a[9000] = {3}; char b[70000];"
    "static int number(void) { b[69999]++; return a[0]++ + a[8999]++ + b[69999]; }",
    "a pointer": "int a = 5, c = 7; int *b = &a; static int number(void) { b = b == &a ? &c : &a; return (*b)++; }",
    "in a table of pointers": "static int a = 5; static int *const t[] = {&a};"
    "static int number(void) { return (*t[0])++; }",
    "of a function's address": "static int one(void); static int two(void); static int (*f)(void) = one;"
    "static int one(void) { f = two; return 1; } static int two(void) { return 200; }"
    "static int number(void) { return f(); }",
    "behind the last one": "static int a; static int number(void)"
    "{ int *volatile last = &a; int *behind = last + 1; return (*behind)++ + a++; }",
    "with copies": 'static char a[64] = "abc"; static int number(void)'
    "{ char b[64]; memcpy(b, a, 64); a[0]++; return b[0] + (int)strlen(a); }",
}
"""Programs whose memory can be restored."""
ELSEWHERE = {
    "heap": ("static int *a; static int number(void) { if (!a) a = calloc(1, 4); return (*a)++; }", "needs calloc"),
    "heap, freed": (
        "static int a; static int number(void) { int *volatile b = malloc(4); *b = a++; int c = *b; free(b);"
        " return c; }",
        "needs free",
    ),
    "a constructor": (
        "static int a; __attribute__((constructor)) static void begin(void) { a = 8; }"
        "static int number(void) { return a++; }",
        "constructors",
    ),
    "a destructor": (
        "static int a; __attribute__((destructor)) static void end(void) { a = 8; }"
        "static int number(void) { return a++; }",
        "destructors",
    ),
    "thread-local": ("static _Thread_local int a; static int number(void) { return a++; }", "thread-local variables"),
    "a handler": (
        "static int a; static void end(void) { a = 0; }"
        "static int number(void) { if (!a) atexit(end); return a++; }",
        "needs __cxa_atexit",
    ),
}  # fmt: skip
"""Programs that are loaded again, and why."""


def image_of(library: Path, scratch: Path) -> firmware.Image:
    return firmware.Image(library, str(scratch))


def frames_by_power_on(image: firmware.Image) -> list[list[int]]:
    """Return the widths after each of three power-ons of two runs."""
    link = LINKS["heron"]
    broken = BrownOut(at_us=900_000, for_us=100_000, on_acknowledgement=False)
    scenario = Scenario(duration_us=1_500_000, faults=(ReceiverReset(at_us=400_000), broken))
    found = []
    for _ in range(2):
        watch = firmware.Watch(array("q", [0, -1]))
        trace = simulate(link, scenario, firmware.factory(image, watch))
        for begin_us, end_us in ((0, 400_000), (400_000, 900_000), (900_000, 1_500_000)):
            inside = (trace.frames.start_us >= begin_us) & (trace.frames.start_us < end_us)
            found.append(trace.frames.widths_us[inside].tolist())
    return found


@pytest.fixture
def build(compile_c: Compile, tmp_path: Path) -> Callable[..., Path]:
    def compiled(text: str, *options: str | Path) -> Path:
        source = tmp_path / "program.c"
        source.write_text(PROGRAM.format(text), encoding="ascii")
        name = f"{random.Random(text + str(options)).getrandbits(64):x}.so"
        return compile_c(name, "-std=c11", "-O2", "-shared", "-fPIC", source, *options)

    return compiled


@pytest.mark.parametrize("variables", VARIABLES)
def test_variables_begin_as_in_the_file(build: Callable[..., Path], variables: str, tmp_path: Path) -> None:
    """The same widths after each power-on."""
    library = build(VARIABLES[variables])
    assert statics.unfit(library.read_bytes()) == ""
    image = image_of(library, tmp_path)
    first, *others = frames_by_power_on(image)
    assert len(set(first)) > 1
    assert all(one[:10] == first[:10] for one in others)


@pytest.mark.parametrize("variables", ["initialised", *(pytest.param(one, marks=LONG) for one in list(VARIABLES)[1:])])
def test_without_restoring_they_would_not(
    build: Callable[..., Path], variables: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    image = image_of(build(VARIABLES[variables]), tmp_path)
    monkeypatch.setattr(statics.Statics, "restore", lambda _: None)
    first, *others = frames_by_power_on(image)
    assert any(one[:10] != first[:10] for one in others)


@pytest.mark.parametrize("option", ["-s", "-g", "-Wl,-z,now", "-Wl,-z,norelro", "-Wl,-z,lazy", "-nostartfiles"])
def test_links_of_other_kinds(build: Callable[..., Path], option: str, tmp_path: Path) -> None:
    library = build(VARIABLES["large"], option)
    assert statics.unfit(library.read_bytes()) == ""
    first, *others = frames_by_power_on(image_of(library, tmp_path))
    assert all(one[:10] == first[:10] for one in others)


@pytest.mark.parametrize("what", ELSEWHERE)
def test_what_is_elsewhere_is_loaded_again(build: Callable[..., Path], what: str, tmp_path: Path) -> None:
    """The variables begin anew all the same; what a program has on the heap, it has asked for anew."""
    text, why = ELSEWHERE[what]
    library = build(text)
    assert statics.unfit(library.read_bytes()).startswith(why)
    image = image_of(library, tmp_path)
    assert image._statics is None
    first, *others = frames_by_power_on(image)
    assert len(set(first)) > 1
    assert all(one[:10] == first[:10] for one in others)


def test_code_that_runs_when_it_is_loaded(build: Callable[..., Path], compile_c: Compile, tmp_path: Path) -> None:
    """Also without the compiler's start-up code, and by the linker's word for it."""
    text, _ = ELSEWHERE["a constructor"]
    assert statics.unfit(build(text, "-nostartfiles").read_bytes()) == "constructors"
    text = "void begin(void); void begin(void) {} static int number(void) { return 1; }"
    for option, why in (("-init", "constructors"), ("-fini", "destructors")):
        assert statics.unfit(build(text, "-nostartfiles", f"-Wl,{option},begin").read_bytes()) == why
        assert statics.unfit(build(text, f"-Wl,{option},begin").read_bytes()) == why


def test_a_library_that_needs_another(build: Callable[..., Path], compile_c: Compile, tmp_path: Path) -> None:
    """Its variables are not among the restored ones."""
    (tmp_path / "other.c").write_text("int other; int next(void); int next(void) { return other++; }", encoding="ascii")
    other = compile_c("libother.so", "-shared", "-fPIC", tmp_path / "other.c", "-Wl,-soname,libother.so")
    text = "int next(void); static int number(void) { return next(); }"
    assert statics.unfit(build(text, other).read_bytes()) == "needs libother.so"
    text = "static int number(void) { return 1; }"
    assert statics.unfit(build(text, "-Wl,--no-as-needed", other).read_bytes()) == "needs libother.so"


@pytest.mark.skipif(shutil.which("g++") is None, reason="no compiler for C++ here")
def test_variables_of_another_language(tmp_path: Path) -> None:
    """Of classes, functions and templates, with a virtual function. One that has the heap is loaded again."""
    text = PROGRAM.format(
        "template <class T> struct Kept { static T kept; }; template <class T> T Kept<T>::kept = 4;"
        "struct Base { virtual int next() = 0; };"
        "struct Mine : Base { int a = 3; int next() override { return a++; } };"
        "static int number(void) { static Mine mine; HEAP return mine.next() + Kept<int>::kept++; }"
    )
    for heap, why in (("", ""), ("delete new int(1);", "needs _Z")):
        source, library = tmp_path / "mine.cc", tmp_path / f"mine{len(heap)}.so"
        source.write_text('extern "C" {\n#include "receiver.h"\n}\n' + text.replace("HEAP", heap), "ascii")
        run("g++", "-O0", "-shared", "-fPIC", "-iquote", BOARD, "-o", library, source)
        assert statics.unfit(library.read_bytes()).startswith(why)
        assert bool(heap) == bool(statics.unfit(library.read_bytes()))
        first, *others = frames_by_power_on(image_of(library, tmp_path))
        # The loader keeps a template's variable for all copies of a library.
        assert all(one[:10] == first[:10] for one in others) == (not heap)


@pytest.mark.parametrize(
    "content", [b"", b"hello", b"\x7fELF\x02\x01\x01" + bytes(9), b"\x7fELF\x02\x01\x01" + bytes(57)]
)
def test_what_is_no_library(content: bytes) -> None:
    assert statics.unfit(content)


def test_damaged_files_are_refused_or_read(build: Callable[..., Path]) -> None:
    """Any of them without another error than a reason."""
    content, numbers = build(VARIABLES["zero"]).read_bytes(), random.Random(1)
    for _ in range(300):
        damaged = bytearray(content[: numbers.choice([len(content), numbers.randrange(len(content))])])
        for _ in range(numbers.randrange(4)):
            damaged[numbers.randrange(len(damaged))] = numbers.randrange(256)
        assert isinstance(statics.unfit(bytes(damaged)), str)


def test_restored_and_loaded_give_the_same_trace(
    compile_c: Compile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a program that shows a digest of all its calls and variables, through resets."""
    source = Path(__file__).with_name("odd.c")
    library = compile_c("odd_again.so", "-O2", "-shared", "-fPIC", "-DCHARACTER=0", source)
    link: Profile = LINKS["heron"]
    scenario = Scenario(duration_us=1_000_000, faults=(ReceiverReset(at_us=300_000), ReceiverReset(at_us=700_000)))

    def traces() -> list[Any]:
        image, words = image_of(library, tmp_path), array("q", [0, -1])
        return [
            (columns(simulate(link, scenario, firmware.factory(image, firmware.Watch(words)))), list(words))
            for _ in range(2)
        ]

    restored = traces()
    monkeypatch.setattr(statics.Statics, "of", lambda *_: None)
    loaded = traces()
    assert restored == loaded
    assert restored[0][0] == restored[1][0]
