"""The figures behind a map: they show the numbers of the records, in the places they belong."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.distance import pdist

from maps.charts import histogram_chart, left_out_chart, property_charts, variogram_chart
from maps.drawing import plots
from maps.drawing.zonecharts import deciding_key, zone_chart, zones_chart

SVG = "{http://www.w3.org/2000/svg}"
PH = (
    ("very_low", None, 5.5, False),
    ("low", 5.5, 6.0, False),
    ("medium", 6.0, 7.0, True),
    ("high", 7.0, None, False),
)


def texts(chart):
    return [node.text for node in ET.fromstring(chart.svg).iter(f"{SVG}text")]


def circles(chart):
    found = ET.fromstring(chart.svg).iter(f"{SVG}circle")
    return np.array([[float(c.get(a)) for a in ("cx", "cy", "r")] for c in found])


def test_every_chart_is_well_formed_named_and_tabled(poel):
    for surface in poel.surfaces.values():
        charts = property_charts(poel, surface)
        assert charts
        for chart in charts:
            root = ET.fromstring(chart.svg)
            assert root.get("role") == "img"
            assert root.get("aria-label") == chart.label
            assert "\n" not in chart.label
            assert {len(row) for row in chart.rows} == {len(chart.rows[0])}


def test_rings_stand_at_the_pairs_mean_distance(poel):
    surface = poel.surfaces["ph_water"]
    xy, z = surface.belief.xy, surface.belief.values
    # An independent count: SciPy's distances, bins of a sixteenth of the largest, up to half of it.
    apart, half_square = pdist(xy), 0.5 * pdist(z[:, None]) ** 2
    ends = apart.max() / 16 * np.arange(9)
    bins = np.digitize(apart, ends, right=True)
    chart = variogram_chart(surface)
    rows = [bins == i for i in range(1, 9) if np.any(bins == i)]
    assert [row[1] for row in chart.rows[1:]] == [str(r.sum()) for r in rows]
    assert [row[0] for row in chart.rows[1:]] == [f"{apart[r].mean():.0f}" for r in rows]
    shown = [float(row[2]) for row in chart.rows[1:]]
    assert shown == pytest.approx([half_square[r].mean() for r in rows], rel=0.06)  # 2 digits
    # Wider rings hold more pairs; the places along the foot are in proportion to the distance.
    marks = circles(chart)
    counts = np.array([r.sum() for r in rows])
    assert np.all(np.diff(marks[np.argsort(counts), 2]) >= 0)
    distances = np.array([apart[r].mean() for r in rows])
    slope, start = np.polyfit(distances, marks[:, 0], 1)
    np.testing.assert_allclose(marks[:, 0], start + slope * distances, atol=0.1)


def test_below_fifty_samples_nothing_fitted_is_a_finding(poel):
    surface = poel.surfaces["ph_water"]
    assert surface.n < 50
    chart = variogram_chart(surface)
    assert "No curve was fitted." in chart.note
    assert "read no distance and no height off it" in chart.note
    said = " ".join([*texts(chart), chart.label, *chart.rows[0]]).lower()
    assert not [word for word in ("range", "sill", "nugget", "fitted") if word in said]


def test_the_scale_that_is_mapped_is_said(poel):
    logs = next(s for s in poel.surfaces.values() if s.logs and s.belief is not None)
    chart = variogram_chart(logs)
    assert "natural logarithms" in chart.note
    assert f"semivariance, ln {logs.unit}" in chart.rows[0]


def test_the_scatter_holds_each_sample_predicted_without_it(poel):
    surface = poel.surfaces["ph_water"]
    chart = left_out_chart(surface, PH)
    marks = circles(chart)
    predicted = surface.crossvalidation.predicted
    slope, start = np.polyfit(predicted, marks[:, 0], 1)
    np.testing.assert_allclose(marks[:, 0], start + slope * predicted, atol=0.1)
    assert [row[2] for row in chart.rows[1:]] == [f"{v:.1f}" for v in surface.belief.values]


@pytest.mark.parametrize("values", [[5.0, 5.49, 5.5, 5.99, 6.0, 6.5, 7.0, 7.4], [5.1, 6.9]])
def test_bars_count_every_sample_once_in_its_own_class(values):
    chart = histogram_chart("ph_water", values, PH, "need")
    assert sum(int(row[1]) for row in chart.rows[1:]) == len(values)
    # Lower limits belong to a class, upper ones do not: geo.rating.schemes.classify says the same.
    levels = ["very low", "low", "medium", "high"]
    expected = dict.fromkeys(levels, 0)
    for place in np.digitize(values, [5.5, 6.0, 7.0]):
        expected[levels[place]] += 1
    shown = dict.fromkeys(levels, 0)
    for row in chart.rows[1:]:
        for part in filter(None, row[2].split(", ")):
            count, level = part.split(" ", 1)
            shown[level] += int(count)
    assert shown == expected


def test_equal_values_have_no_histogram_and_no_zone_boxes():
    assert histogram_chart("ph_water", [6.0, 6.0, 6.0], PH, "need") is None
    assert zones_chart("ph_water", [(1, "#fff", [6.0]), (2, "#fff", [6.0])], PH) is None


def test_every_sample_stands_in_one_zone(poel):
    lime = next(z for z in poel.zone_maps if z.amendment == "lime")
    chart = zone_chart(poel, lime, {})
    key = deciding_key("lime", poel)
    assert sum(int(row[1]) for row in chart.rows[1:]) == poel.checked.usable[key].notna().sum()
    assert len(circles(chart)) == len(lime.zones) + poel.checked.usable[key].notna().sum()


def test_a_zone_of_few_samples_gets_no_box():
    chart = zones_chart("ph_water", [(1, "#8fb8e3", [5.0, 5.2]), (2, "#e5d27a", [6.0] * 6)])
    assert len(list(ET.fromstring(chart.svg).iter(f"{SVG}rect"))) == 1


def test_boxes_are_numpys_quartiles():
    values = [5.0, 5.1, 5.3, 5.8, 6.0, 6.4, 6.9]
    chart = zones_chart("ph_water", [(1, "#8fb8e3", values), (2, "#e5d27a", [7.0])])
    q1, q2, q3 = np.percentile(values, (25, 50, 75))
    assert chart.rows[1][2:4] == (f"{q2:.1f}", f"{q1:.1f} to {q3:.1f}")


def test_no_belief_no_variogram_and_no_scatter(poel):
    bare = replace(poel.surfaces["ph_water"], belief=None, crossvalidation=None)
    assert variogram_chart(bare) is None
    assert left_out_chart(bare) is None


@pytest.mark.parametrize("logs", [False, True])
def test_at_most_four_round_numbers_inside_the_scale(logs):
    rng = np.random.default_rng(1)
    for _ in range(2000):
        low = 10.0 ** rng.uniform(-3, 4)
        high = low * (1 + 10.0 ** rng.uniform(-1.5, 2))
        scale = plots.Scale(low, high, 0, 300, logs)
        marks = scale.ticks()
        assert 1 <= len(marks) <= 4
        assert all(low <= mark <= high for mark in marks)
        words = [scale.words(mark, marks) for mark in marks]
        assert len(set(words)) == len(words)
        shown = [float(w.replace("\u202f", "")) for w in words]
        assert shown == pytest.approx(marks, rel=1e-6)
