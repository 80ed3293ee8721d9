"""The numerical tools held against numpy, scipy, scikit-image and shapely.

Needs the example `reference` built; NARROWS_EXAMPLES names its folder.
"""

import json
import math
import os
import pathlib
import subprocess

import numpy as np
import pytest
import shapely
from scipy import ndimage, optimize, special, stats
from skimage import measure

ROOT = pathlib.Path(__file__).resolve().parents[2]
EXAMPLES = pathlib.Path(os.environ.get("NARROWS_EXAMPLES", ROOT / "target" / "debug" / "examples"))
RANDOM = np.random.default_rng(20240517)


@pytest.fixture(autouse=True)
def same_numbers_in_any_order():
    global RANDOM
    RANDOM = np.random.default_rng(415)


def ask(*requests):
    done = subprocess.run(
        [str(EXAMPLES / "reference")], input=json.dumps(requests), capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def numbers(values):
    """JSON has no NaN: null stands for it."""
    return np.array([np.nan if v is None else v for v in values], dtype=float)


def star(corners, low=1.0):
    """A ring around the origin whose radius is random: never crosses itself."""
    angles = 2 * np.pi * np.arange(corners) / corners
    radii = RANDOM.uniform(low, 4.0, corners)
    turn = RANDOM.uniform(0, 2 * np.pi)
    return np.stack([radii * np.cos(angles + turn), radii * np.sin(angles + turn)], axis=1)


def crescent(inner=4.0, outer=6.0, degrees=120.0, steps=200):
    angles = np.radians(np.linspace(0, degrees, steps))
    arc = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return np.concatenate([outer * arc, inner * arc[::-1]])


SHAPES = {
    "square": np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 3.0], [0.0, 3.0]]),
    "thin": np.array([[0.0, 0.0], [9.0, 1.0], [9.0, 1.2], [0.0, 0.3]]),
    "crescent": crescent(),
    "slender crescent": crescent(8.0, 9.0, 170.0),
    **{f"star {n}": star(n) for n in (5, 9, 23, 64)},
    "gentle star": star(48, 3.5),
}


@pytest.mark.parametrize("name", SHAPES)
def test_polygons_measure_as_in_shapely(name):
    points = SHAPES[name]
    offsets = [0.25, 0.8, -0.1, -0.3]
    line = [0.4, 0.3, math.cos(0.7), math.sin(0.7)]
    (ours,) = ask({"op": "outline", "points": points.tolist(), "offsets": offsets, "line": line})
    theirs = shapely.Polygon(points)
    assert ours["area"] == pytest.approx(theirs.area, rel=1e-12)
    assert ours["perimeter"] == pytest.approx(theirs.length, rel=1e-12)
    assert ours["centroid"] == pytest.approx(list(theirs.centroid.coords[0]), abs=1e-10)
    hull = shapely.Polygon(ours["hull"])
    assert hull.symmetric_difference(theirs.convex_hull).area < 1e-10
    assert ours["solidity"] == pytest.approx(theirs.area / theirs.convex_hull.area, rel=1e-10)
    box = np.array(theirs.minimum_rotated_rectangle.exterior.coords)
    # The rectangle of least area is not always the one of least width; the least width over all
    # hull edges is.
    corners = np.array(theirs.convex_hull.exterior.coords)
    edges = np.diff(corners, axis=0)
    normals = np.stack([-edges[:, 1], edges[:, 0]], axis=1) / np.linalg.norm(edges, axis=1)[:, None]
    widths = np.ptp(corners @ normals.T, axis=0)
    assert ours["feret"][1] == pytest.approx(widths.min(), rel=1e-10)
    assert ours["feret"][1] <= np.linalg.norm(np.diff(box, axis=0), axis=1).min() * (1 + 1e-12)
    longest = max(np.linalg.norm(corners - c, axis=1).max() for c in corners)
    assert ours["feret"][0] == pytest.approx(longest, rel=1e-12)
    reach = 100 * np.array(line[2:])
    through = shapely.LineString([np.array(line[:2]) - reach, np.array(line[:2]) + reach])
    assert ours["chord"] == pytest.approx(through.intersection(theirs).length, abs=1e-9)
    for by, moved in zip(offsets, ours["offsets"]):
        wanted = theirs.buffer(by, quad_segs=256)
        assert moved["area"] == pytest.approx(wanted.area, rel=2e-3, abs=2e-3 * theirs.area)
        if moved["points"] is not None:
            apart = shapely.Polygon(moved["points"]).symmetric_difference(wanted).area
            assert apart < 4e-3 * theirs.area, by


def test_second_moments_are_those_of_a_fine_grid():
    points = SHAPES["crescent"]
    (ours,) = ask({"op": "outline", "points": points.tolist(), "offsets": [], "line": [0, 0, 1, 0]})
    step = 0.02
    u, v = np.meshgrid(np.arange(-7, 7, step), np.arange(-7, 7, step))
    inside = shapely.contains_xy(shapely.Polygon(points), u, v)
    spread = np.linalg.eigvalsh(np.cov(np.stack([u[inside], v[inside]]), bias=True))
    assert ours["moments"] == pytest.approx(spread[::-1], rel=3e-3)


def test_crossing_rings_are_refused_like_invalid_polygons():
    bow = [[0.0, 0.0], [2.0, 2.0], [2.0, 0.0], [0.0, 2.0]]
    assert not shapely.Polygon(bow).is_valid
    request = [{"op": "outline", "points": bow, "offsets": [], "line": [0, 0, 1, 0]}]
    done = subprocess.run(
        [str(EXAMPLES / "reference")], input=json.dumps(request), capture_output=True, text=True, timeout=60
    )
    assert done.returncode != 0 and "crosses itself" in done.stderr


def test_coverage_is_the_exact_area_in_each_pixel():
    points = star(17)
    width, height, pixel = 19, 17, 0.41
    (ours,) = ask({"op": "coverage", "points": points.tolist(), "width": width, "height": height, "pixel": pixel})
    ours = np.array(ours).reshape(height, width)
    shape = shapely.Polygon(points)
    for y in range(height):
        for x in range(width):
            u, v = (x - (width - 1) / 2) * pixel, (y - (height - 1) / 2) * pixel
            box = shapely.box(u - pixel / 2, v - pixel / 2, u + pixel / 2, v + pixel / 2)
            assert ours[y, x] == pytest.approx(box.intersection(shape).area / pixel**2, abs=1e-10)


def test_contours_are_those_of_scikit_image():
    smooth = ndimage.gaussian_filter(RANDOM.normal(size=(80, 91)), 2.0)
    noise = RANDOM.normal(size=(23, 31))
    for picture, level in ((smooth, 0.05), (noise, 0.1)):
        height, width = picture.shape
        (ours,) = ask({"op": "contour", "width": width, "height": height, "data": picture.ravel().tolist(), "level": level})
        # scikit-image asks whether saddles are joined; ours asks the mean, so only the set of points
        # is the same everywhere. It lists (row, column) and repeats the first point.
        theirs = measure.find_contours(picture, level, fully_connected="high")
        points = np.concatenate([np.array(line["points"]) for line in ours])
        wanted = np.concatenate([line[:-1] if np.array_equal(line[0], line[-1]) else line for line in theirs])[:, ::-1]
        points = points[np.lexsort(points.round(6).T)]
        wanted = wanted[np.lexsort(wanted.round(6).T)]
        assert len(points) == len(wanted)
        assert np.abs(points - wanted).max() < 1e-6
    # Without saddles the lines are the same too.
    height, width = smooth.shape
    (ours,) = ask({"op": "contour", "width": width, "height": height, "data": smooth.ravel().tolist(), "level": 0.05})
    theirs = measure.find_contours(smooth, 0.05)
    area = lambda p: abs(shapely.Polygon(p).area)
    closed = sorted(area(line["points"]) for line in ours if line["closed"])
    wanted = sorted(area(line) for line in theirs if np.array_equal(line[0], line[-1]))
    assert len(closed) > 2 and closed == pytest.approx(wanted, abs=1e-6)


def cut_request(codes, bits, zero, normal, toward, pixel, size):
    depth, height, width = codes.shape
    return {
        "op": "cut",
        "shape": [width, height, depth],
        "bits": bits,
        "codes": codes.ravel().tolist(),
        "zero_code": zero,
        "nyquist": 0.6,
        "centre": [(width - 1) / 2, (height - 1) / 2, (depth - 1) / 2],
        "normal": normal,
        "toward": toward,
        "width": size[0],
        "height": size[1],
        "pixel": pixel,
    }


def positions(request):
    """Voxel positions of the pixels, by numpy alone: `[3 (z, y, x), row, column]`."""
    normal = np.array(request["normal"]) / np.linalg.norm(request["normal"])
    u = np.array(request["toward"]) - normal * (normal @ request["toward"])
    u /= np.linalg.norm(u)
    v = np.cross(normal, u)
    x = (np.arange(request["width"]) - (request["width"] - 1) / 2) * request["pixel"]
    y = (np.arange(request["height"]) - (request["height"] - 1) / 2) * request["pixel"]
    place = np.array(request["centre"])[:, None, None] + u[:, None, None] * x + v[:, None, None] * y[:, None]
    return place[::-1]


@pytest.mark.parametrize("bits, zero", [(8, 128), (16, 40000)])
def test_cuts_are_those_of_map_coordinates(bits, zero):
    top = 1 << bits
    codes = RANDOM.integers(0, top, (21, 26, 33))
    codes[RANDOM.random(codes.shape) < 0.4] = zero
    for normal, toward in (([0.3, -0.5, 0.8], [1.0, 0.2, 0.1]), ([1.0, 0.0, 0.0], [0.0, 1.0, 0.0]), ([0.7, 0.7, 0.1], [0.0, 0.3, 1.0])):
        request = cut_request(codes, bits, zero, normal, toward, 0.31, (140, 90))
        (ours,) = ask(request)
        shape = (request["height"], request["width"])
        place = positions(request)
        last = np.array(codes.shape)[:, None, None] - 1
        inside = ((place >= 0) & (place <= last)).all(axis=0)
        margin = ((place >= -1e-6) & (place <= last + 1e-6)).all(axis=0)

        def theirs(values):
            return ndimage.map_coordinates(values.astype(float), place, order=1, mode="nearest")

        scalar = numbers(ours["scalar"]).reshape(shape)
        assert inside.sum() > 1000
        assert np.isnan(scalar[~margin]).all() and not np.isnan(scalar[inside & margin]).any()
        assert np.abs(scalar - theirs(codes))[inside].max() < 1e-6
        # The phasors, interpolated by scipy: angle, length and share of colour.
        phase = np.pi * (codes - zero) * (2 / top)
        coloured = (codes != zero).astype(float)
        real, imaginary, share = (theirs(a * coloured) for a in (np.cos(phase), np.sin(phase), np.ones(codes.shape)))
        assert np.abs(numbers(ours["coloured"]).reshape(shape) - share)[inside].max() < 1e-9
        length = np.hypot(real, imaginary)
        some = inside & (share > 1e-6)
        coherence = numbers(ours["coherence"]).reshape(shape)
        assert np.abs(coherence[some] - length[some] / share[some]).max() < 1e-7
        velocity = numbers(ours["velocity"]).reshape(shape)
        clear = some & (length > 1e-3)
        turn = np.exp(1j * np.pi * velocity / 0.6)
        assert np.abs(np.angle(turn * np.conj(real + 1j * imaginary)))[clear].max() < 1e-6
        low = -zero * 1.2 / top
        assert (velocity[inside] >= low - 1e-9).all() and (velocity[inside] <= low + 1.2 + 1e-9).all()


@pytest.mark.parametrize("corners", [False, True])
def test_parts_are_those_of_scipy(corners):
    for shape in ((1, 40, 53), (14, 17, 23)):
        flat = shape[0] == 1
        mask = RANDOM.random(shape) < {(True, False): 0.55, (True, True): 0.35, (False, False): 0.28, (False, True): 0.09}[flat, corners]
        (ours,) = ask({"op": "label", "shape": list(shape[::-1]), "mask": mask.ravel().tolist(), "corners": corners})
        theirs, count = ndimage.label(mask, np.ones((3, 3, 3)) if corners else None)
        labels = np.array(ours["labels"]).reshape(shape)
        assert len(ours["sizes"]) == count > 3
        # The same partition: each of our numbers meets exactly one of theirs.
        pairs = np.unique(np.stack([labels.ravel(), theirs.ravel()]), axis=1)
        assert pairs.shape[1] == count + 1
        assert np.bincount(labels.ravel())[1:].tolist() == ours["sizes"]
        first = [np.flatnonzero(labels.ravel() == n)[0] for n in range(1, count + 1)]
        assert first == sorted(first)


def test_blurs_are_those_of_scipy():
    data = RANDOM.normal(size=(9, 13, 21))
    for sigma in ([1.0, 1.5, 2.0], [0.4, 0.0, 3.3], [6.0, 0.7, 1.1]):
        for mirror in (True, False):
            (ours,) = ask({"op": "blur", "shape": [21, 13, 9], "data": data.ravel().tolist(), "sigma": sigma, "mirror": mirror})
            theirs = ndimage.gaussian_filter(data, sigma[::-1], mode="reflect" if mirror else "constant", truncate=4.0)
            # In single precision.
            assert np.abs(np.array(ours).reshape(data.shape) - theirs).max() < 2e-6
    picture = data[4]
    for mirror in (True, False):
        asked = {"op": "blur", "shape": [21, 13, 1], "data": picture.ravel().tolist(), "sigma": [1.0, 1.5, 0.0]}
        (ours,) = ask({**asked, "mirror": mirror})
        theirs = ndimage.gaussian_filter(picture, [1.5, 1.0], mode="reflect" if mirror else "constant", truncate=4.0)
        assert np.abs(np.array(ours).reshape(picture.shape) - theirs).max() < 1e-12


def test_special_functions_are_those_of_scipy():
    at = np.concatenate([np.linspace(-6, 6, 241), [1e-300, 1e-12, 0.3, 0.5, 0.975, 1 - 1e-12]])
    (ours,) = ask({"op": "special", "at": at.tolist()})
    assert np.allclose(ours["erf"], special.erf(at), rtol=1e-14, atol=0)
    assert np.allclose(ours["cdf"], special.ndtr(at), rtol=1e-13, atol=0)
    quantile = numbers(ours["quantile"])
    inside = (at > 0) & (at < 1)
    assert np.allclose(quantile[inside], special.ndtri(at[inside]), rtol=1e-13, atol=1e-15)
    assert np.isnan(quantile[(at < 0) | (at > 1)]).all()


def test_statistics_are_those_of_numpy():
    values = RANDOM.lognormal(size=37)
    quantiles = np.linspace(0, 1, 41)
    points = RANDOM.normal(size=(25, 3))
    points[:, 2] = RANDOM.uniform(0.1, 4, 25)
    ours, line = ask(
        {"op": "stats", "values": values.tolist(), "quantiles": quantiles.tolist()},
        {"op": "line", "points": points.tolist()},
    )
    assert ours["mean"] == pytest.approx(values.mean(), rel=1e-14)
    assert ours["sd"] == pytest.approx(values.std(ddof=1), rel=1e-13)
    assert ours["median"] == np.median(values)
    assert ours["median_deviation"] == pytest.approx(stats.median_abs_deviation(values), rel=1e-13)
    assert np.allclose(ours["quantiles"], np.quantile(values, quantiles), rtol=1e-14)
    slope, intercept = np.polyfit(points[:, 0], points[:, 1], 1, w=np.sqrt(points[:, 2]))
    assert [line["slope"], line["intercept"]] == pytest.approx([slope, intercept], rel=1e-10)


def test_nodes_and_minima():
    cubic = [1.0, -2.0, -3.0, 0.5]
    (ours,) = ask({"op": "tools", "nodes": 11, "cubic": cubic, "ends": [0.0, 4.0]})
    places, weights = np.polynomial.legendre.leggauss(11)
    assert np.allclose(np.array(ours["nodes"]).T, [places, weights], atol=1e-14)
    theirs = optimize.minimize_scalar(lambda x: np.polyval(cubic, x), bounds=(0, 4), method="bounded", options={"xatol": 1e-10})
    assert ours["minimum"] == pytest.approx([theirs.x, theirs.fun], rel=1e-7)
