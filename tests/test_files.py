"""The output layer: all files or none, whatever breaks, and nothing written over unasked.

What a system call does to files is POSIX's (IEEE Std 1003.1-2017: rename, link, unlink) and
Linux's own (man-pages: flock(2), mount_namespaces(7)); failures are real where the system makes
them, and otherwise stand in for a call that the table names.
"""

import errno
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from ribbonsim import RibbonsimError
from ribbonsim.files.names import cell
from ribbonsim.files.staging import PREFIX, held_back, sweep
from ribbonsim.files.writing import (
    Bundle,
    check_free,
    inputs_guarded,
    make_folder,
    open_input,
    write_file,
)

NAMES = ("a", "b", "c")
OLD = {name: f"old {name}" for name in NAMES}
NEW = {name: f"new {name}" for name in NAMES}
posix = pytest.mark.skipif(sys.platform == "win32", reason="POSIX files and signals")


def contents(folder):
    return {path.name: path.read_text() for path in Path(folder).iterdir()}


def fill(folder, files):
    for name, text in files.items():
        (folder / name).write_text(text)
    return folder


# -- what is refused -------------------------------------------------------------------------------


@posix
@pytest.mark.parametrize("force", [False, True])
@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("fifo", "device or a pipe"),
        ("device", "device or a pipe"),
        ("link to a device", "device or a pipe"),
        ("folder", "is a folder"),
        ("circle of links", "circle"),
        ("long name", "shorter name"),
        ("null byte", "no name that a file can have"),
        ("below a file", "no folder"),
        ("no folder", "no folder"),
    ],
)
def test_only_regular_files_are_written(tmp_path, kind, words, force):
    path = tmp_path / "out.toml"
    if kind == "fifo":
        os.mkfifo(path)
    elif kind == "device":
        path = Path("/dev/null")
    elif kind == "link to a device":
        path.symlink_to("/dev/null")
    elif kind == "folder":
        path.mkdir()
    elif kind == "circle of links":
        path.symlink_to(path)
    elif kind == "long name":
        path = tmp_path / ("n" * 300)
    elif kind == "null byte":
        path = tmp_path / "a\0b"
    elif kind == "below a file":
        path.write_text("mine")
        path = path / "out.toml"
    else:
        path = tmp_path / "none" / "out.toml"
    before = sorted(os.listdir(tmp_path))
    with pytest.raises(RibbonsimError, match=words):
        write_file(path, "new", force)
    assert sorted(os.listdir(tmp_path)) == before


@pytest.mark.parametrize("route", ["itself", "symbolic link", "hard link", "relative"])
def test_an_input_is_never_an_output(tmp_path, monkeypatch, route):
    source = tmp_path / "eel.obj"
    source.write_text("mine")
    path = tmp_path / "other"
    if route == "symbolic link":
        path.symlink_to(source)
    elif route == "hard link":
        os.link(source, path)
    elif route == "relative":
        monkeypatch.chdir(tmp_path)
        path = Path("./eel.obj")
    else:
        path = source
    with pytest.raises(RibbonsimError, match="was read"):
        write_file(path, "new", True, inputs=[source])
    with inputs_guarded():
        open_input(source).close()
        with pytest.raises(RibbonsimError, match="was read"):
            write_file(path, "new", True)
        with pytest.raises(RibbonsimError, match="was read"), Bundle(tmp_path, True) as bundle:
            bundle.write({"a": "a", path.name: "new"})
    assert source.read_text() == "mine"
    assert not (tmp_path / "a").exists()
    write_file(source, "new", True)  # without the guard a script may save what it loaded
    assert source.read_text() == "new"


@posix
@pytest.mark.parametrize("path", ["/dev/zero", "fifo"])
def test_what_may_never_end_is_not_read(tmp_path, path):
    if path == "fifo":
        path = tmp_path / "x.obj"
        os.mkfifo(path)
    with pytest.raises(RibbonsimError, match="may never end"):
        open_input(path)


@posix
def test_links_are_followed_to_where_the_file_is(tmp_path):
    store, folder = tmp_path / "store", tmp_path / "folder"
    store.mkdir()
    folder.mkdir()
    (store / "a").write_text("old")
    (folder / "a").symlink_to(store / "a")
    (folder / "b").symlink_to(store / "not yet")
    with Bundle(folder, force=True) as bundle:
        bundle.write({"a": "new", "b": "new too", "c": "plain"})
    assert (folder / "a").is_symlink()
    assert contents(store) == {"a": "new", "not yet": "new too"}
    assert contents(folder) == {"a": "new", "b": "new too", "c": "plain"}


@posix
def test_permissions_are_those_of_new_files_or_of_the_old_one(tmp_path):
    mask = os.umask(0o027)
    try:
        path = write_file(tmp_path / "a", "1")
        assert path.stat().st_mode & 0o777 == 0o640
        path.chmod(0o604)
        assert write_file(path, "2", True).stat().st_mode & 0o777 == 0o604
    finally:
        os.umask(mask)


# -- what breaks on the way ------------------------------------------------------------------------

CALLS = ("fsync", "link", "replace", "mkdir", "unlink", "chmod")
BREAKS = [
    *(("no space", call) for call in CALLS[:4]),  # the others need none
    *((kind, call) for kind in ("SIGINT", "SIGTERM", "SIGHUP") for call in CALLS),
]


def break_at(monkeypatch, call, count, act):
    """Let the nth use of a system call act instead."""
    real, used = getattr(os, call), [0]

    def counted(*arguments, **options):
        used[0] += 1
        if used[0] == count:
            act()
        return real(*arguments, **options)

    monkeypatch.setattr(os, call, counted)
    return used


def no_space():
    raise OSError(errno.ENOSPC, "No space left on device")


@posix
@pytest.mark.parametrize("old", [{}, OLD, {"b": "old b"}], ids=["free", "there", "one there"])
@pytest.mark.parametrize(("kind", "call"), BREAKS)
def test_all_or_nothing_whatever_breaks(tmp_path, monkeypatch, old, kind, call):
    def stop(*_):
        raise KeyboardInterrupt

    number = None if kind == "no space" else getattr(signal, kind)
    before = number and signal.signal(number, stop)
    count, reached = 0, True
    while reached:  # the first use of the call breaks, then the second, until there are no more
        count += 1
        folder = tmp_path / str(count)
        folder.mkdir()
        fill(folder, old)
        with monkeypatch.context() as patch:
            act = (lambda: signal.raise_signal(number)) if number else no_space
            used = break_at(patch, call, count, act)
            done = False
            try:
                with Bundle(folder, force=bool(old)) as bundle:
                    bundle.write(NEW)
                done = True
            except (RibbonsimError, KeyboardInterrupt):
                pass
            reached = used[0] >= count
        assert contents(folder) in ((NEW,) if done else (NEW, old))
        assert done or reached
    if before is not None:
        signal.signal(number, before)
    assert count > 1 or not old


KILLED = """
import os, signal, sys
from ribbonsim.files.writing import Bundle
real, used = getattr(os, sys.argv[2]), 0
def counted(*arguments, **options):
    global used
    used += 1
    if used == int(sys.argv[3]):
        os.kill(os.getpid(), signal.SIGKILL)
    return real(*arguments, **options)
setattr(os, sys.argv[2], counted)
with Bundle(sys.argv[1], force=True) as bundle:
    bundle.write({"a": "new a", "b": "new b", "c": "new c"})
"""


@posix
@pytest.mark.parametrize(("call", "count"), [("link", 2), ("replace", 1), ("replace", 3)])
def test_what_a_killed_process_left_is_taken_back_by_the_next(tmp_path, call, count):
    old = {"a": "old a", "b": "old b"}
    fill(tmp_path, old)
    command = [sys.executable, "-c", KILLED, str(tmp_path), call, str(count)]
    done = subprocess.run(command, check=False, timeout=600)
    assert done.returncode == -signal.SIGKILL
    assert any(name.startswith(PREFIX) for name in os.listdir(tmp_path))
    sweep(tmp_path)
    assert contents(tmp_path) == old
    write_file(tmp_path / "a", "newer", True)
    assert contents(tmp_path) == {**old, "a": "newer"}


@posix
def test_what_was_put_there_after_the_kill_stays(tmp_path):
    fill(tmp_path, {"a": "old a", "b": "old b"})
    command = [sys.executable, "-c", KILLED, str(tmp_path), "replace", "3"]
    subprocess.run(command, check=False, timeout=600)
    assert (tmp_path / "a").read_text() == "new a"
    (tmp_path / "mine").write_text("by hand")
    os.replace(tmp_path / "mine", tmp_path / "a")
    sweep(tmp_path)
    assert contents(tmp_path) == {"a": "by hand", "b": "old b"}


def test_temporaries_of_one_who_still_works_are_left_alone(tmp_path):
    with Bundle(tmp_path) as bundle:
        bundle.path("a").write_text("half")
        sweep(tmp_path)
        write_file(tmp_path / "b", "whole")
        assert bundle.path("a").read_text() == "half"
        bundle.place(["a"])
    assert contents(tmp_path) == {"a": "half", "b": "whole"}


@posix
def test_a_disk_that_is_really_full(tmp_path):
    """A file system of 200 kB in memory; the old files are still there, and nothing else."""
    script = f"""
import os, sys
from ribbonsim import RibbonsimError
from ribbonsim.files.writing import Bundle
folder = {str(tmp_path)!r}
open(folder + "/a", "w").write("old a")
for count in (1, 3, 7):
    try:
        with Bundle(folder, force=True) as bundle:
            bundle.write({{"a": "x" * 70_000, "b": bytes(count * 70_000)}})
    except RibbonsimError as error:
        print(error)
    print(sorted(os.listdir(folder)), os.path.getsize(folder + "/a"))
"""
    mount = f"mount -t tmpfs -o size=200k none {tmp_path} && exec {sys.executable} -c '{script}'"
    mount = mount.replace("'" + script + "'", '"$0"')
    try:
        done = subprocess.run(
            ["unshare", "-rm", "sh", "-c", mount, script],
            capture_output=True,
            text=True,
            check=False,
            timeout=600,
        )
    except FileNotFoundError:
        pytest.skip("no unshare")
    if "unshare:" in done.stderr or "mount:" in done.stderr:
        pytest.skip("no file system may be mounted here")
    first, second, *rest = done.stdout.splitlines()
    assert first == "['a', 'b'] 70000", done.stderr
    assert "no space left on device): free some space" in second
    assert rest[0] == first
    assert rest[1] == second
    assert rest[2] == first


@posix
def test_a_file_larger_than_the_system_allows(tmp_path):
    """The kernel refuses with EFBIG: setrlimit(2), RLIMIT_FSIZE."""
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "from ribbonsim import RibbonsimError; from ribbonsim.files.writing import write_file\n"
        "try: write_file(sys.argv[1], 'x' * 2000, True)\n"
        "except RibbonsimError as error: print(error)"
    )
    path = tmp_path / "a"
    path.write_text("old")
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=600,
    )
    assert "cannot be written (file too large)" in done.stdout
    assert contents(tmp_path) == {"a": "old"}


@posix
@pytest.mark.parametrize("old", [{}, OLD], ids=["free", "there"])
def test_a_file_system_without_links(tmp_path, monkeypatch, old):
    """As FAT answers: link(2), EPERM."""

    def refused(*_, **__):
        raise PermissionError(errno.EPERM, "Operation not permitted")

    fill(tmp_path, old)
    monkeypatch.setattr(os, "link", refused)
    with Bundle(tmp_path, force=bool(old)) as bundle:
        bundle.write(NEW)
    assert contents(tmp_path) == NEW
    with pytest.raises(RibbonsimError, match="exists and is kept"), Bundle(tmp_path) as bundle:
        bundle.write(NEW)


# -- others who write ------------------------------------------------------------------------------


@pytest.mark.parametrize("force", [False, True])
def test_what_another_put_there_meanwhile(tmp_path, force):
    fill(tmp_path, {"z": "kept"})
    try:
        with Bundle(tmp_path, force) as bundle:
            bundle.claim(NEW)
            for name in NEW:
                bundle.path(name).write_text(NEW[name])
            bundle.claim(NEW)
            # the last moment at which another program can come in between
            from ribbonsim.files import staging

            real, moves = staging.Move.carry_out, []

            def other_first(self, force):
                if self.name == "c" and not moves:
                    moves.append(1)
                    (tmp_path / "c").write_text("theirs")
                real(self, force)

            staging.Move.carry_out = other_first
            try:
                bundle.place(NEW)
            finally:
                staging.Move.carry_out = real
    except RibbonsimError as error:
        assert "made meanwhile" in str(error)  # noqa: PT017
        assert not force
    assert contents(tmp_path) == ({"z": "kept", **NEW} if force else {"z": "kept", "c": "theirs"})


@pytest.mark.parametrize("force", [False, True])
def test_two_writers_at_once_never_mix(tmp_path, force):
    for number in range(25):
        folder, said = tmp_path / str(number), []
        start = threading.Barrier(2)

        def work(who, folder=folder, said=said, start=start):
            start.wait()
            try:
                with Bundle(folder, force) as bundle:
                    bundle.write({name: who for name in NAMES})
            except RibbonsimError as error:
                said.append(str(error))

        threads = [threading.Thread(target=work, args=(who,)) for who in ("one", "two")]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        found = contents(folder)
        assert set(found) == set(NAMES)
        assert len(set(found.values())) == 1
        assert len(said) == (0 if force else 1)
        assert all("exists and is kept" in words for words in said)


# -- folders and signals ---------------------------------------------------------------------------


def test_folders_that_were_made_go_again(tmp_path):
    def write_half():
        with Bundle(tmp_path / "x" / "y" / "z") as bundle:
            bundle.path("a").write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_half()
    assert os.listdir(tmp_path) == []
    with pytest.raises(RibbonsimError, match="shorter name"):
        make_folder(tmp_path / "x" / ("n" * 300))
    assert os.listdir(tmp_path) == []
    (tmp_path / "file").write_text("")
    for place in ("file", "file/below"):
        with pytest.raises(RibbonsimError, match="choose a folder, not a file"):
            make_folder(tmp_path / place)


@posix
def test_signals_wait_and_are_not_lost():
    came = []
    before = signal.signal(signal.SIGTERM, lambda *_: came.append("handled"))
    try:
        with held_back() as check:
            signal.raise_signal(signal.SIGTERM)
            came.append("went on")
            with pytest.raises(KeyboardInterrupt):
                check()
        assert came == ["went on", "handled"]
        assert signal.getsignal(signal.SIGTERM) is not signal.SIG_DFL
    finally:
        signal.signal(signal.SIGTERM, before)


def test_a_long_path_is_shown_in_part(tmp_path):
    with pytest.raises(RibbonsimError) as caught:
        check_free(tmp_path / ("n" * 5000))
    assert len(str(caught.value)) < 300


def test_no_cell_of_a_table_is_a_live_formula():
    """What spreadsheets take for one: OWASP, "CSV Injection"."""
    for text in ("=HYPERLINK(1)", "+1", "-1", "@x", "\tx"):
        assert cell(text) == f"'{text}"
    for value in ("eel", "", -1.5, None, "a=b"):
        assert cell(value) is value
