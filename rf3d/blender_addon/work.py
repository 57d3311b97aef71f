# SPDX-License-Identifier: GPL-3.0-or-later
"""One piece of work at a time: export, run rf3d, place what it found. Nothing here blocks Blender.

Work is a generator. It yields ``None`` where it could be interrupted and ``WAIT`` where there is nothing to do but
wait for the child. With a window a timer takes it on, a few hundredths of a second at a time; without one it is run
to its end.
"""

import json
import shutil
import tempfile
import time
from pathlib import Path

import bpy

from . import child as processes
from . import vocabulary, words
from .trouble import Stopped, Trouble

WAIT = object()
TICK_S = 0.05
SLICE_S = 0.05
"""Longest that a tick goes on to a further step; no step of ours is long. Between two ticks Blender draws what was
changed: many short ones would make it draw the venue again and again."""
REST_S = 0.005
"""What Blender gets for itself, at least, between two ticks that have work to do."""
REDRAW_S = 1.0
"""Time between two drawings of the progress: where OpenGL runs in software each takes a tenth of a second of both
cores, which rf3d needs."""


class State:
    """What the panel shows of the work."""

    def __init__(self):
        self.name = ""
        self.stage = ""
        self.share = 0.0
        self.since = 0.0
        self.error = None
        self.note = ""
        self.early = ""
        self.longest_step_s = 0.0
        self.longest_tick_s = 0.0
        self.shown, self.drawn = None, 0.0

    def fail(self, trouble):
        """Show an error: its message, its cure, the objects it is about."""
        self.error = (trouble.message, trouble.cure)
        self.note = ""


state = State()
_current = None
_child = None
_cancelled = False
_kept = False


def busy():
    """Whether something is being worked on."""
    return _current is not None


def start(name, steps):
    """Begin a piece of work; without a window, finish it too.

    Parameters
    ----------
    name : str
        What is going on, for the panel.
    steps : generator
    """
    global _current, _cancelled, _kept
    state.name, state.stage, state.share, state.since = name, "", 0.0, time.monotonic()
    state.error, state.note, state.early = None, "", ""
    state.longest_step_s = state.longest_tick_s = 0.0
    _current, _cancelled, _kept = steps, False, False
    if bpy.app.background:
        while busy():
            if _advance() is WAIT:
                time.sleep(0.02)
    elif not bpy.app.timers.is_registered(_tick):
        bpy.app.timers.register(_tick, first_interval=0.0)


def cancel(*, keep=False):
    """Ask the work to end; what was in the scene stays, or what shows early takes its place for good."""
    global _cancelled, _kept
    if busy():
        _cancelled, _kept = True, keep
        if _child is not None:
            _child.end()


def kept():
    """Whether what shows early is to stay though the work was ended."""
    return _kept


def drop():
    """End at once and forget: the file is closed, or the add-on switched off."""
    global _current
    if _child is not None:
        _child.kill()
    if _current is not None:
        _current.close()
        _current = None


def _tick():
    window = next(iter(bpy.context.window_manager.windows), None)
    began, waits = time.perf_counter(), False
    with bpy.context.temp_override(**({"window": window} if bpy.context.window is None and window else {})):
        while busy() and time.perf_counter() < began + SLICE_S:
            waits = _advance() is WAIT
            if waits:
                break
    state.longest_tick_s = max(state.longest_tick_s, time.perf_counter() - began)
    shown = state.stage, round(100 * state.share)
    if not busy():
        redraw()
    elif shown != state.shown and time.monotonic() - state.drawn >= REDRAW_S:
        state.shown, state.drawn = shown, time.monotonic()
        redraw(panels_only=True)
    if not busy():
        return None
    return TICK_S if waits else REST_S


def _advance():
    """One step; what goes wrong becomes a message."""
    global _current
    began = time.perf_counter()
    try:
        return next(_current)
    except StopIteration:
        _current = None
        _finish()
    except Trouble as trouble:
        _current = None
        state.fail(trouble)
        from . import select

        select.select_objects(trouble.objects)
    except ReferenceError:
        _current = None
        state.fail(Trouble("what was being placed was taken away, by undo perhaps", "run it again"))
    except Exception as error:
        _current = None
        state.fail(Trouble(f"the add-on failed: {type(error).__name__}: {error}", "report this, with the file"))
        raise
    finally:
        state.longest_step_s = max(state.longest_step_s, time.perf_counter() - began)
    return None


def _finish():
    state.stage, state.share = "", 1.0
    if not bpy.app.background:
        # What was placed is one step of undo.
        window = next(iter(bpy.context.window_manager.windows), None)
        if window is not None:
            with bpy.context.temp_override(window=window):
                bpy.ops.ed.undo_push(message=state.name)


def redraw(*, panels_only=False):
    """Draw the 3D views and the preferences anew; the venue itself may take long to draw, and rf3d needs the cores."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "PREFERENCES" or (area.type == "VIEW_3D" and not panels_only):
                area.tag_redraw()
            elif area.type == "VIEW_3D":
                for region in area.regions:
                    if region.type == "UI":
                        region.tag_redraw()


def check_cancelled():
    """Stop the work where the person asked for it."""
    if _cancelled:
        raise Stopped


class Folder:
    """A folder for one piece of work, inside Blender's own temporary one; gone afterwards."""

    def __enter__(self):
        self.path = Path(tempfile.mkdtemp(prefix="rf3d_", dir=bpy.app.tempdir or None))
        return self.path

    def __exit__(self, *_):
        shutil.rmtree(self.path, ignore_errors=True)


def run_steps(python, folder, arguments, *, findings=None, written=None, listens=True, placing=None):
    """Run one command of rf3d, waiting for it, its progress on the panel.

    Parameters
    ----------
    findings : list or None
        Filled with the findings.
    written : plans.Written or None
        The plan it works on, to say errors in terms of objects.
    placing : callable(event) or None
        Steps that bring shapes into the scene as soon as rf3d has written them.

    Raises
    ------
    Trouble
        It could not be started, was stopped, refused its input or broke down.
    """
    global _child
    try:
        _child = processes.Child(python, folder, arguments, listens=listens)
    except OSError as error:
        raise Trouble(
            f'rf3d did not start: "{python}" cannot be run ({error.strerror})',
            "name the Python that has rf3d in the preferences of this add-on",
        ) from error
    failed = None
    try:
        running, events = True, []
        while running or events:
            # Asked before it is listened to: what it writes last is heard too.
            running = _child.running
            events = _child.events()
            for event in events:
                if event["event"] == "progress":
                    state.stage, state.share = event["stage"], event["done"] / max(1, event["total"])
                elif event["event"] == "finding" and findings is not None:
                    findings.append(event)
                elif event["event"] == "error":
                    failed = event
                elif event["event"] == "shapes" and placing is not None and not _cancelled:
                    yield from placing(event)
            if running:
                yield WAIT
        check_cancelled()
        code = _child.process.returncode
        if code not in (0, 4):
            raise _reason(failed, code, _child.text("err"), written)
    finally:
        _child.kill()
        _child = None


def _reason(failed, code, errors, written):
    """What to tell the person of a run that gave no answer."""
    if failed is not None and code in (2, 3):
        from . import select

        text = failed["message"]
        message = words.in_blender("; ".join(failed[k] for k in ("given", "allowed") if k in failed) or text)
        return Trouble(message, words.in_blender(failed.get("cure", "")), select.meant(text, written))
    if "No module named" in errors:
        return Trouble(
            "this Python has no rf3d: " + errors.strip().splitlines()[-1],
            f"choose another in the preferences of this add-on, or install it: {processes.INSTALL}",
        )
    if "No such command" in errors or "No such option" in errors:
        return Trouble(
            "this rf3d is older than the add-on: " + errors.strip().splitlines()[-1],
            f"install rf3d {'.'.join(map(str, processes.NEEDED))} or newer",
        )
    last = errors.strip().splitlines()[-1] if errors.strip() else "it said nothing"
    how = f"was ended by signal {-code}" if code < 0 else f"ended with code {code}"
    return Trouble(f"rf3d broke down: it {how} ({last[:200]})", "run it again; if it happens again, report it")


def learn_steps(python):
    """Ask rf3d for its version and its words.

    Raises
    ------
    Trouble
        No rf3d, or one too old.
    """
    with Folder() as folder:
        yield from run_steps(python, folder, ["vocabulary", "--json", str(folder / "words.json")])
        told = json.loads((folder / "words.json").read_text(encoding="utf-8"))
    if processes.version_numbers(told["rf3d"])[: len(processes.NEEDED)] < processes.NEEDED:
        raise Trouble(
            f"rf3d {told['rf3d']} is older than this add-on needs",
            f"install rf3d {'.'.join(map(str, processes.NEEDED))} or newer: {processes.INSTALL}",
        )
    vocabulary.learn(told)


def python_steps(preferences):
    """The Python that has rf3d: the one named in the preferences, else the first found that has it; kept there.

    Raises
    ------
    Trouble
        There is none.
    """
    if not preferences.python:
        state.stage = "looking for rf3d"
        for python in processes.candidates():
            try:
                probe = processes.probe(python)
            except OSError:
                continue
            while probe.poll() is None:
                yield WAIT
                if _cancelled:
                    probe.kill()
                    check_cancelled()
            if probe.returncode == 0:
                preferences.python = python
                break
        else:
            raise Trouble(
                "rf3d was not found on this computer",
                f"install it, then name its Python in the preferences of this add-on: {processes.INSTALL}",
            )
    if not vocabulary.known["materials"]:
        state.stage = "starting rf3d"
        yield from learn_steps(preferences.python)
    return preferences.python
