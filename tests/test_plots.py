"""Plots hold the numbers they show, are told apart without colours, and escape names."""

import itertools
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest
from cases import first_of
from tubes import s_curve, straight, tube

from ribbonsim import Control, Layout, bind
from ribbonsim.bendcheck.cases import Wish, measure_case
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.view.look import colour, srgb_to_oklab
from ribbonsim.view.plot_parts import station_places
from ribbonsim.view.plot_style import LINES
from ribbonsim.view.plots import (
    area_shares,
    plot_curvature,
    plot_girth,
    plot_stretch,
    posed_curvature,
    target_curvature,
)

PLOTS = (plot_girth, plot_curvature, plot_stretch)

# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A physiologically-based model for
# simulation of color vision deficiency", IEEE TVCG 15(6), 2009, severity 1.0; from memory
SEEN_BY = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                   [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                     [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                   [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def layouts_of(mesh, *choices):
    return [
        bind(mesh, build_layout(mesh, BuildOptions(stations=stations, controls=controls)))
        for stations, controls in choices
    ]


def case_of(rig, name, amount=None):
    return measure_case(rig, Gauge(rig), Wish(name, amount), "linear", contacts=False)


@pytest.fixture(scope="module")
def worm():
    mesh = tube(s_curve(rings=61), np.linspace(0.9, 0.35, 61), around=20, round_ends=5, name="worm")
    return layouts_of(mesh, (17, 5), (17, (1, 4, 7, 10, 13, 15, 17)), (9, 3))


@pytest.fixture(scope="module")
def pipe():
    mesh = tube(straight(20.0, 121), 0.5, around=24, round_ends=5, name="pipe")
    return layouts_of(mesh, (17, 9))[0]


def lines_of(plot, axes=0):
    return [line.get_xydata() for line in plot.figure.axes[axes].lines]


# -- numbers -----------------------------------------------------------------------------------


def test_girth_of_an_incompressible_rod_is_stretch_to_the_minus_half(pipe):
    case = case_of(pipe, "stretch", 1.44)
    plot = plot_girth([case])
    (posed,) = [xy for xy in lines_of(plot) if len(xy) == 17 and xy[8, 1] == case.measures.girth[8]]
    assert posed[:, 0] == pytest.approx(station_places(pipe.layout))
    # volume is girth squared times stretch: 1.44^(-1/2) = 1 / 1.2
    assert posed[4:13, 1] == pytest.approx(1 / 1.2, abs=0.003)


def test_girth_limits_are_drawn_around_what_the_pose_asks_for(pipe):
    case = case_of(pipe, "stretch", 1.44)
    drawn = lines_of(plot_girth([case]))
    for factor in (pipe.layout.limits.pinch, pipe.layout.limits.bulge):
        assert any(
            len(xy) == 17 and xy[:, 1] == pytest.approx(factor / 1.2, abs=0.01) for xy in drawn
        )


def test_an_even_bend_by_a_quarter_turn_has_ninety_degrees_a_body_length(pipe):
    case = case_of(pipe, "c_bend", 90.0)
    place, wanted = target_curvature(case)
    # an arc's curvature is its angle over its length
    assert wanted == pytest.approx(90.0, rel=5e-3)
    assert (place[0], place[-1]) == pytest.approx((0.0, 1.0), abs=0.01)
    place, posed = posed_curvature(case)
    assert posed[40:-40] == pytest.approx(90.0, rel=0.15)
    assert np.trapezoid(posed, place) == pytest.approx(90.0, rel=0.05)


def test_shares_of_the_skin_agree_with_a_plain_count(worm):
    case = case_of(worm[0], "curl")
    values = case.measures.stretch[:, 0]
    edges = np.geomspace(0.5, 2.0, 11)
    mesh = case.rig.mesh
    counted, total = np.zeros(10), 0.0
    for triangle, value in zip(mesh.triangles, values, strict=True):
        a, b, c = mesh.positions[triangle]
        area = 0.5 * np.linalg.norm(np.cross(b - a, c - a))
        counted[min(np.searchsorted(edges, value, side="right") - 1, 9)] += area
        total += area
    shares = area_shares(case, values, edges)
    assert shares == pytest.approx(counted / total, abs=1e-12)
    assert shares.sum() == pytest.approx(1.0)


def test_stations_and_controls_are_marked_where_they_are(worm):
    plot = plot_girth([case_of(rig, "c_bend") for rig in worm], ["a", "b", "c"])
    marks = lines_of(plot, axes=1)
    for k, rig in enumerate(worm):
        place = station_places(rig.layout)
        held = place[[control.station - 1 for control in rig.layout.controls]]
        for wanted in (place, held):
            assert any(
                len(xy) == len(wanted) and np.allclose(xy, np.c_[wanted, np.full(len(wanted), -k)])
                for xy in marks
            )


def test_a_pose_of_controls_has_no_target(worm):
    rig = worm[0]
    wish = Wish("mine", pose=rig.pose_for("c_bend", 40))
    case = measure_case(rig, Gauge(rig), wish, "linear", contacts=False)
    assert target_curvature(case) is None
    assert "target" not in plot_curvature([case]).svg()
    assert "target" in plot_curvature([case_of(rig, "c_bend")]).svg()


# -- told apart --------------------------------------------------------------------------------


def test_lines_differ_by_dashes_and_by_markers_alone():
    assert len({line.dashes for line in LINES}) == len(LINES) == 6
    assert len({line.marker for line in LINES}) == 6


@pytest.mark.parametrize("sight", SEEN_BY)
def test_colours_differ_for_those_who_see_fewer(sight):
    def seen(code):
        value = np.array(colour(code))
        linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
        dim = np.clip(np.array(SEEN_BY[sight]) @ linear, 0.0, 1.0)
        again = np.where(dim <= 0.0031308, 12.92 * dim, 1.055 * dim ** (1 / 2.4) - 0.055)
        return srgb_to_oklab(again)

    for one, other in itertools.combinations(LINES, 2):
        # 0.02 in OKLab is a difference just seen side by side; common practice, no source
        assert np.linalg.norm(seen(one.colour) - seen(other.colour)) > 0.04, (one, other)


# -- pictures and SVG ----------------------------------------------------------------------------


@pytest.mark.parametrize("make", PLOTS)
@pytest.mark.parametrize("count", first_of(3, 1))
def test_picture_is_drawn_at_the_size_asked_for(worm, make, count):
    cases = [case_of(rig, "rear_up") for rig in worm[:count]]
    plot = make(cases, [f"layout {k}" for k in range(count)])
    small, large = plot.picture(1.0), plot.picture(2.0)
    assert large.shape[0] == pytest.approx(2 * small.shape[0], abs=1)
    assert large.shape[1] == 1120
    assert large.dtype == np.uint8
    assert np.asarray(large, dtype=float).std() > 10
    border = np.concatenate([large[:, :2].reshape(-1, 3), large[:, -2:].reshape(-1, 3)])
    assert (border == 255).all()  # nothing runs out of the paper


@pytest.mark.parametrize("make", PLOTS)
def test_svg_is_well_formed_and_asks_for_nothing(worm, make):
    text = make([case_of(rig, "curl") for rig in worm[:2]], ["one", "two"]).svg()
    root = ElementTree.fromstring(text)
    assert root.tag == "svg"
    assert not re.search(r"https?://|<style|<!--|<script|xmlns", text)
    named = [node.get("id") for node in root.iter() if node.get("id")]
    assert len(named) == len(set(named))
    for node in root.iter():
        link = node.get("href")
        assert link is None or link.removeprefix("#") in named
    assert "var(--line1, #14727b)" in text


@pytest.mark.parametrize("make", PLOTS)
@pytest.mark.parametrize(
    "name", first_of("<script>alert(1)</script>", "$\\frac{x$", "]]> & --", "鰻 \n\t x")
)
def test_names_stand_as_text(worm, make, name):
    cases = [replace_name(case_of(rig, "curl"), name) for rig in worm[:2]]
    plot = make(cases, [name, "other"])
    root = ElementTree.fromstring(plot.svg())
    assert "script" not in {node.tag for node in root.iter()}
    words = "".join(root.itertext())
    assert " ".join(name.split())[:12] in words
    assert plot.picture(1.0).std() > 5


def replace_name(case, name):
    return replace(case, wish=Wish(name, pose=case.pose))


def test_control_names_are_text_too(worm):
    bad = "<img src=x onerror=alert(1)>"
    ribbon, stations = worm[0].layout.ribbon, worm[0].layout.stations
    layout = Layout(ribbon, stations, (Control(bad, 1), Control("$_", 17, carried_by=bad)))
    text = plot_girth([case_of(bind(worm[0].mesh, layout), "c_bend")]).svg()
    root = ElementTree.fromstring(text)
    assert "img" not in {node.tag for node in root.iter()}
    words = "".join(root.itertext())
    assert bad[:12] in words
    assert "$_" in words


def test_many_controls_do_not_write_over_each_other(pipe):
    names = [Control(f"a_rather_long_name_{k}", k) for k in range(1, 18)]
    layout = Layout(pipe.layout.ribbon, pipe.layout.stations, tuple(names))
    plot = plot_girth([case_of(bind(pipe.mesh, layout), "c_bend")])
    plot.picture(1.0)
    renderer = plot.figure.canvas.get_renderer()
    boxes = [
        text.get_window_extent(renderer)
        for text in plot.figure.axes[1].texts
        if text.get_text().startswith("a_rather")
    ]
    assert len(boxes) >= 4
    assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))
