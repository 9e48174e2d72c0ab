"""The same input gives the same output, whatever the processor and the hour.

OpenBLAS chooses its kernels by the processor, and takes another's by OPENBLAS_CORETYPE (OpenBLAS
manual, "Environment variables"); where numpy stands on another BLAS the runs are alike anyway.
"""

import os
import subprocess
import sys
from functools import cache
from importlib.machinery import ModuleSpec
from pathlib import Path

import numpy as np
import pytest
from cases import first_of
from tubes import small_worm

from ribbonsim.mesh.obj_write import write_obj

POSED = """
import sys
import numpy as np
import ribbonsim as rs
from ribbonsim.layout.appendage_targets import test_poses_of
from ribbonsim.rig.first_layout import build_layout
mesh = rs.load_mesh(sys.argv[1])
rig = rs.bind(mesh, build_layout(mesh))
np.save(sys.argv[2], [rig.deform(rig.pose_for(name)) for name in test_poses_of(rig.layout)])
"""


def outcome(code, *arguments, **variables):
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", **variables}
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
        env=environment,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def posed(tmp_path_factory):
    """What posing gives under a kernel."""

    mesh = tmp_path_factory.mktemp("mesh") / "worm.obj"
    write_obj(small_worm(), mesh)

    @cache
    def under(kernel):
        file = tmp_path_factory.mktemp("posed") / f"{kernel}.npy"
        outcome(POSED, mesh, file, OPENBLAS_CORETYPE=kernel)
        return np.load(file)

    return under


@pytest.mark.parametrize("kernel", first_of("Prescott", "Zen"))
def test_posed_positions_are_the_same_under_another_kernel(posed, kernel):
    one, other = posed("Haswell"), posed(kernel)
    size = np.ptp(one, axis=(0, 1)).max()
    assert np.abs(other - one).max() <= 1e-12 * size


@pytest.mark.parametrize(("told", "day"), [("86400", "1970-01-02"), ("1700000000", "2023-11-14")])
def test_dates_in_files_are_those_that_are_asked_for(told, day):
    code = (
        "import time\nfrom ribbonsim.files.stamp import moment\n"
        "from ribbonsim.show.slate import Slate\n"
        "print(time.strftime('%Y-%m-%d', moment()), Slate().day)"
    )
    assert outcome(code, SOURCE_DATE_EPOCH=told).split() == [day, day]


SHEET = """
import sys
from ribbonsim.handoff.sheet.parts import Section, Sheet, Prose
from ribbonsim.handoff.sheet.pdf import print_sheet
sheet = Sheet("eel", "An eel.", (("5", "units", "long"),), (Section("One", (Prose(("Do.",)),)),))
sys.stdout.buffer.write(print_sheet(sheet, None, {}))
"""


@pytest.mark.slow
def test_build_sheets_are_the_same_bytes_with_the_date_that_is_asked_for():
    """PDF dates are D:YYYYMMDDHHmmSS (ISO 32000-1, 7.9.4)."""
    pypdfium2 = pytest.importorskip("pypdfium2")
    found = []
    for clock in ("UTC0", "XYZ-5"):
        variables = {"SOURCE_DATE_EPOCH": "1700000000", "TZ": clock}
        done = subprocess.run(
            [sys.executable, "-c", SHEET],
            capture_output=True,
            check=True,
            timeout=120,
            env={**os.environ, **variables},
        )
        found.append(done.stdout)
    assert found[0] == found[1]
    told = pypdfium2.PdfDocument(found[0]).get_metadata_dict()
    assert told["CreationDate"].startswith("D:20231114221320")


def test_a_font_that_is_missing_is_named(monkeypatch, tmp_path):
    from ribbonsim.errors import RibbonsimError
    from ribbonsim.view import lettering

    elsewhere = ModuleSpec("matplotlib", None, origin=str(tmp_path / "__init__.py"))
    monkeypatch.setattr(lettering, "find_spec", lambda name: elsewhere)
    with pytest.raises(RibbonsimError, match=r"DejaVuSans\.ttf is not there.*install that again"):
        lettering.font_file("DejaVuSans.ttf")


def test_every_page_has_the_policy_that_nothing_is_fetched():
    """Content Security Policy Level 3: what has no directive of its own falls back to default-src.

    Every template is the one page or extends it, and that names the policy before all else.
    """
    folder = Path(__file__).resolve().parent.parent / "ribbonsim" / "pages" / "templates"
    texts = {path.name: path.read_text(encoding="utf-8") for path in folder.glob("*.html")}
    first, rest = texts["page.html"].split("Content-Security-Policy", 1)
    assert "<script" not in first
    assert "<style" not in first
    assert rest.startswith("\" content=\"default-src 'none'; ")
    pages = {name for name, text in texts.items() if "<html" in text or "{% extends" in text}
    assert len(pages) >= 6
    for name in pages - {"page.html"}:
        assert texts[name].startswith('{% extends "page.html" %}'), name
        assert "http-equiv" not in texts[name], name
