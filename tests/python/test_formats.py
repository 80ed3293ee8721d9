"""The open formats: our files seen by nibabel, pynrrd and SimpleITK, and theirs seen by us.

Samples must be the same to the last bit, positions to the precision that a format has (32-bit reals in
NIfTI-1, 64 bits elsewhere).

Needs the program and the examples `codes` and `made_volume` built; NARROWS_BIN and NARROWS_EXAMPLES
name them.
"""

import gzip
import json
import os
import pathlib
import subprocess

import nibabel
import nrrd
import numpy as np
import pytest
import SimpleITK as sitk

ROOT = pathlib.Path(__file__).resolve().parents[2]
EXAMPLES = pathlib.Path(os.environ.get("NARROWS_EXAMPLES", ROOT / "target" / "debug" / "examples"))
PROGRAM = pathlib.Path(os.environ.get("NARROWS_BIN", ROOT / "target" / "debug" / "narrows"))
NAMES = ["a.nii", "a.nii.gz", "a.nrrd", "packed.nrrd", "a.nhdr", "packed.nhdr", "a.mha", "packed.mha", "a.mhd", "packed.mhd"]
LPS = np.diag([-1.0, -1.0, 1.0])


def run(*words):
    return subprocess.run([str(word) for word in words], capture_output=True, text=True, timeout=120)


def convert(source, target, *more):
    syntax = ["--syntax", "deflated"] if target.name.startswith("packed") else []
    done = run(PROGRAM, "convert", source, target, *syntax, *more)
    assert done.returncode == 0, done.stderr
    return target


def codes(path, *more):
    """What our reader makes of a file: the JSON, and the codes as `{kind: [frame, z, y, x]}`."""
    out = path.parent / (path.name + ".codes")
    done = run(EXAMPLES / "codes", path, out, *more)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    raw, arrays, at = out.read_bytes(), {}, 0
    shape = (len(told["times_s"]), *reversed(told["grid"]))
    for kind, bits in zip(told["channels"], told["bits"]):
        count = int(np.prod(shape))
        arrays[kind] = np.frombuffer(raw, f"<u{bits // 8}", count, at).reshape(shape)
        at += count * bits // 8
    assert at == len(raw)
    return told, arrays


@pytest.fixture(scope="module", params=[8, 16])
def made(request, tmp_path_factory):
    """A DICOM volume of random codes, what we read of it, and the same in every open format."""
    folder = tmp_path_factory.mktemp(f"made_{request.param}")
    source = folder / "source.dcm"
    done = run(EXAMPLES / "made_volume", request.param, "native", "apex", source)
    assert done.returncode == 0, done.stderr
    told, arrays = codes(source)
    stacked = np.stack([arrays[kind] for kind in told["channels"]])  # channel, frame, z, y, x
    return told, stacked, {name: convert(source, folder / name) for name in NAMES}


def affine(told):
    """Index to left-posterior-superior millimetres, 4 x 4."""
    matrix = np.eye(4)
    matrix[:3, :3] = np.array(told["axes"]).T * np.array(told["voxel_mm"])
    matrix[:3, 3] = told["origin_mm"]
    return matrix


@pytest.mark.parametrize("name", NAMES)
def test_every_format_comes_back(made, name):
    told, stacked, paths = made
    again, arrays = codes(paths[name])
    assert again["channels"] == told["channels"]
    assert np.array_equal(np.stack([arrays[kind] for kind in told["channels"]]), stacked)
    for key in ["origin_mm", "voxel_mm", "axes", "times_s", "apex_mm", "beats_rr_s", "limits_m_s"]:
        np.testing.assert_allclose(again[key], told[key], rtol=0, atol=1e-9, err_msg=key)
    for key in ["rr_s", "nyquist_m_s", "step_m_s"]:
        assert abs(again[key] - told[key]) < 1e-9, key
    for key in ["zero_code", "cycle", "gated_beats", "power"]:
        assert again[key] == told[key], key
    back = convert(paths[name], paths[name].parent / f"{name}.dcm")
    third, arrays = codes(back)
    assert np.array_equal(np.stack([arrays[kind] for kind in told["channels"]]), stacked)
    np.testing.assert_allclose(third["origin_mm"], told["origin_mm"], rtol=0, atol=1e-9)


@pytest.mark.parametrize("name", ["a.nii", "a.nii.gz"])
def test_nibabel_reads_ours(made, name):
    told, stacked, paths = made
    image = nibabel.load(paths[name])
    assert np.array_equal(np.asarray(image.dataobj).transpose(4, 3, 2, 1, 0), stacked)
    assert np.asarray(image.dataobj).dtype == stacked.dtype
    ours = np.block([[LPS, np.zeros((3, 1))], [np.zeros((1, 3)), np.ones((1, 1))]]) @ affine(told)
    for matrix in [image.affine, image.get_qform(), image.get_sform()]:
        np.testing.assert_allclose(matrix, ours, rtol=0, atol=5e-6)
    head = image.header
    assert head.get_xyzt_units() == ("mm", "sec")
    np.testing.assert_allclose(head.get_zooms()[:3], told["voxel_mm"], rtol=1e-6)
    times = np.array(told["times_s"])
    np.testing.assert_allclose(head["toffset"] + head.get_zooms()[3] * np.arange(len(times)), times, atol=1e-6)
    assert head.get_intent()[0] == "vector"


@pytest.mark.parametrize("name", ["a.nrrd", "packed.nrrd", "a.nhdr", "packed.nhdr"])
def test_pynrrd_reads_ours(made, name):
    told, stacked, paths = made
    data, head = nrrd.read(str(paths[name]))
    assert np.array_equal(data.transpose(4, 3, 2, 1, 0), stacked) and data.dtype == stacked.dtype
    assert head["space"] == "left-posterior-superior-time"
    assert head["kinds"] == ["space", "space", "space", "time", "list"]
    steps = np.array([row for row in head["space directions"] if row is not None and np.all(np.isfinite(row))])
    assert steps.shape == (4, 4) and not np.any(steps[:3, 3]) and not np.any(steps[3, :3])
    np.testing.assert_allclose(steps[:3, :3].T, affine(told)[:3, :3], rtol=0, atol=1e-12)
    np.testing.assert_allclose(head["space origin"][:3], told["origin_mm"], rtol=0, atol=1e-12)
    times = np.array(told["times_s"])
    np.testing.assert_allclose(head["space origin"][3] + steps[3, 3] * np.arange(len(times)), times, atol=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_simpleitk_reads_ours(made, name):
    told, stacked, paths = made
    image = sitk.ReadImage(str(paths[name]))
    data = sitk.GetArrayFromImage(image)
    if image.GetNumberOfComponentsPerPixel() > 1:  # components stand last
        data = np.moveaxis(data, -1, 0)
    assert np.array_equal(data, stacked) and data.dtype == stacked.dtype
    dimension, loose = image.GetDimension(), 5e-6 if ".nii" in name else 1e-12
    direction = np.array(image.GetDirection()).reshape(dimension, dimension)[:3, :3]
    np.testing.assert_allclose(direction * np.array(image.GetSpacing())[:3], affine(told)[:3, :3], rtol=0, atol=loose)
    np.testing.assert_allclose(image.GetOrigin()[:3], told["origin_mm"], rtol=0, atol=loose)


# ---- What others write ----


def velocities(dtype, frames=4, shape=(5, 7, 6)):
    random = np.random.default_rng(7)
    if np.dtype(dtype).kind == "f":
        return random.uniform(-0.6, 0.6, (frames, *shape)).astype(dtype)
    limits = np.iinfo(dtype)
    native = np.dtype(dtype).newbyteorder("=")
    return random.integers(limits.min, limits.max, (frames, *shape), dtype=native, endpoint=True).astype(dtype)


def turned():
    """A rotation, right-handed."""
    q = np.array([0.8, 0.2, -0.4, 0.3])
    w, x, y, z = q / np.linalg.norm(q)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


SPACING, ORIGIN, STEP = np.array([0.4, 0.5, 0.7]), np.array([11.0, -22.0, 33.0]), 0.035


def check(path, data, steps=None, origin=ORIGIN, loose=1e-9, times=None):
    """Our reading against the array `[frame, z, y, x]` and the geometry, left-posterior-superior."""
    told, arrays = codes(path, "--nyquist", 0.6)
    assert told["channels"] == ["velocity"]
    found = arrays["velocity"]
    if data.dtype.kind == "f":
        velocity = told["step_m_s"] * (found.astype(float) - told["zero_code"])
        assert np.max(np.abs(velocity - data)) <= 0.6 / 65536 * 1.01 + 1e-9
    elif data.dtype.kind == "i":
        half = 1 << (8 * data.dtype.itemsize - 1)
        assert np.array_equal(found.astype(int) - half, data.astype(int)) and told["zero_code"] == half
    else:
        assert np.array_equal(found, data)
    steps = turned() * SPACING if steps is None else steps
    np.testing.assert_allclose(affine(told)[:3, :3], steps, rtol=0, atol=loose)
    np.testing.assert_allclose(told["origin_mm"], origin, rtol=0, atol=loose)
    times = STEP * np.arange(len(data)) if times is None else times
    np.testing.assert_allclose(told["times_s"], times, rtol=0, atol=1e-6 if ".nii" in path.name else 1e-9)
    return told


@pytest.mark.parametrize("dtype", ["u1", "i1", "<u2", ">u2", "<i2", ">i2", "<f4", ">f4", "<f8", ">f8"])
@pytest.mark.parametrize("name", ["x.nii", "x.nii.gz"])
@pytest.mark.parametrize("form", ["sform", "qform"])
def test_we_read_nibabel(tmp_path, dtype, name, form):
    data = velocities(dtype)
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = LPS @ turned() * SPACING, LPS @ ORIGIN
    head = nibabel.Nifti1Header(endianness=">" if dtype[0] == ">" else "<")
    image = nibabel.Nifti1Image(data.transpose(3, 2, 1, 0), matrix, head, dtype=data.dtype)
    image.set_sform(matrix, 1 if form == "sform" else 0)
    image.set_qform(matrix, 1 if form == "qform" else 0)
    image.header.set_xyzt_units("mm", "msec")
    image.header["pixdim"][4] = STEP * 1000
    image.header.set_slope_inter(1, 0)
    nibabel.save(image, tmp_path / name)
    raw = (tmp_path / name).read_bytes()
    raw = gzip.decompress(raw) if name.endswith("gz") else raw
    assert int.from_bytes(raw[:4], "big" if dtype[0] == ">" else "little") == 348
    told = check(tmp_path / name, data, loose=5e-6)
    assert any("right-anterior-superior" in line for line in told["assumed"])


def test_a_scaled_nifti_file_is_in_metres_per_second(tmp_path):
    data = velocities("<i2")
    image = nibabel.Nifti1Image(data.transpose(3, 2, 1, 0), np.diag([-0.4, -0.5, 0.7, 1.0]))
    image.header.set_xyzt_units("mm", "sec")
    image.header["pixdim"][4] = STEP
    image.header.set_slope_inter(0.6 / 32768, 0)
    nibabel.save(image, tmp_path / "x.nii")
    raw = bytearray((tmp_path / "x.nii").read_bytes())
    # nibabel rescales what it saves; the stored values are put back.
    raw[352:] = data.tobytes()
    raw[112:116] = np.float32(0.6 / 32768).tobytes()
    raw[116:120] = np.float32(0).tobytes()
    (tmp_path / "x.nii").write_bytes(raw)
    told, arrays = codes(tmp_path / "x.nii", "--nyquist", 0.6)
    velocity = told["step_m_s"] * (arrays["velocity"].astype(float) - told["zero_code"])
    expected = np.asarray(nibabel.load(tmp_path / "x.nii").dataobj).transpose(3, 2, 1, 0)
    np.testing.assert_allclose(velocity, expected, rtol=0, atol=1e-6)
    assert any("scaling in the header" in line for line in told["assumed"])


@pytest.mark.parametrize("dtype", ["u1", "i1", "<u2", ">u2", "<i2", ">i2", "<f4", ">f8"])
@pytest.mark.parametrize("name,encoding", [("x.nrrd", "raw"), ("x.nrrd", "gzip"), ("x.nhdr", "raw"), ("x.nhdr", "gzip")])
@pytest.mark.parametrize("space", ["left-posterior-superior", "right-anterior-superior", "left-anterior-superior"])
def test_we_read_pynrrd(tmp_path, dtype, name, encoding, space):
    data = velocities(dtype)
    turn = {"l": np.eye(3), "r": LPS, "a": np.diag([1.0, -1.0, 1.0])}
    turn = turn["l"] if "posterior" in space else turn["r"] if "right" in space else turn["a"]
    steps, origin, expected = turned() * SPACING, ORIGIN, data
    head = {
        "space": space,
        "space directions": np.vstack([(turn @ steps).T, [np.nan] * 3]),
        "space origin": turn @ origin,
        "space units": ["mm"] * 3,
        "kinds": ["domain", "domain", "domain", "time"],
        "spacings": [np.nan, np.nan, np.nan, STEP],
        "units": ["", "", "", "s"],
        "encoding": encoding,
        "endian": "big" if dtype[0] == ">" else "little",
    }
    # pynrrd takes the order of bytes from the array.
    nrrd.write(str(tmp_path / name), data.transpose(3, 2, 1, 0), head, detached_header=name.endswith("nhdr"))
    check(tmp_path / name, expected, steps, origin)


@pytest.mark.parametrize("dtype", ["u1", "i1", "u2", "i2", "f4", "f8"])
@pytest.mark.parametrize("name", ["x.mha", "x.mhd", "x.nrrd", "x.nhdr", "x.nii", "x.nii.gz"])
@pytest.mark.parametrize("packed", [False, True])
def test_we_read_simpleitk(tmp_path, dtype, name, packed):
    data = velocities(dtype, frames=4)
    image = sitk.GetImageFromArray(data, isVector=False)
    matrix = np.eye(4)
    matrix[:3, :3] = turned()
    image.SetDirection(matrix.ravel())
    image.SetSpacing([*SPACING, STEP])
    image.SetOrigin([*ORIGIN, 0.0])
    sitk.WriteImage(image, str(tmp_path / name), useCompression=packed)
    check(tmp_path / name, data, loose=5e-6 if ".nii" in name else 1e-9)


@pytest.mark.parametrize("local", [True, False])
@pytest.mark.parametrize("before,size", [(0, 0), (37, "counted"), (37, -1)])
def test_header_size_is_counted_as_simpleitk_does(tmp_path, before, size, local):
    """HeaderSize with the samples in the same file and in another, with other bytes before them."""
    data = velocities("u1", frames=1)[0]
    path = tmp_path / ("x.mha" if local else "x.mhd")
    place = "LOCAL" if local else "x.raw"
    shape = " ".join(map(str, data.shape[::-1]))

    def header(size):
        return (
            f"ObjectType = Image\nNDims = 3\nHeaderSize = {size:>5}\nDimSize = {shape}\nElementSpacing = 1 1 1\n"
            f"Offset = 0 0 0\nTransformMatrix = 1 0 0 0 1 0 0 0 1\nElementType = MET_UCHAR\nElementDataFile = {place}\n"
        ).encode()

    if size == "counted":
        size = before + (len(header(0)) if local else 0)
    rest = bytes(range(1, before + 1)) + data.tobytes()
    path.write_bytes(header(size) + (rest if local else b""))
    if not local:
        (tmp_path / "x.raw").write_bytes(rest)
    assert np.array_equal(sitk.GetArrayFromImage(sitk.ReadImage(str(path))), data)
    told, arrays = codes(path, "--nyquist", 0.6)
    assert np.array_equal(arrays["velocity"][0], data)


@pytest.mark.parametrize("name", ["x.mha", "x.nrrd", "x.nii.gz"])
def test_components_of_simpleitk_are_channels(tmp_path, name):
    tissue, velocity = velocities("u1", 2)
    image = sitk.GetImageFromArray(np.stack([tissue, velocity], axis=-1), isVector=True)
    image.SetSpacing(SPACING)
    sitk.WriteImage(image, str(tmp_path / name))
    refused = run(EXAMPLES / "codes", tmp_path / name, tmp_path / "codes")
    assert refused.returncode == 2 and "which channel is which" in refused.stderr
    sidecar = {"schema": "narrows/sidecar/1", "channels": ["tissue", "velocity"], "velocity": {"nyquist_m_s": 0.6}}
    (tmp_path / f"{name}.narrows.json").write_text(json.dumps(sidecar))
    told, arrays = codes(tmp_path / name)
    assert np.array_equal(arrays["tissue"][0], tissue) and np.array_equal(arrays["velocity"][0], velocity)
    assert told["zero_code"] == 128 and told["nyquist_m_s"] == 0.6


@pytest.mark.parametrize("name", ["x.nii.gz", "x.nrrd", "x.mha", "x.mhd"])
def test_colours_become_velocities(tmp_path, name):
    """Velocities coloured here by linear interpolation, read back by their bar."""
    random = np.random.default_rng(5)
    velocity = random.uniform(-0.6, 0.6, (6, 8, 9))
    stops = [(-0.6, (0, 255, 255)), (0.0, (0, 0, 90)), (0.0, (90, 0, 0)), (0.6, (255, 255, 0))]
    low, high = np.array([s[1] for s in stops[:2]], float), np.array([s[1] for s in stops[2:]], float)
    share = np.where(velocity < 0, (velocity + 0.6) / 0.6, velocity / 0.6)[..., None]
    rgb = np.where(velocity[..., None] < 0, low[0] + (low[1] - low[0]) * share, high[0] + (high[1] - high[0]) * share)
    rgb = np.rint(rgb).astype(np.uint8)
    grey = random.random(velocity.shape) < 0.4
    level = random.integers(0, 256, velocity.shape, dtype=np.uint8)
    rgb[grey] = level[grey][:, None]
    path = tmp_path / name
    if name.endswith("nii.gz"):
        kind = np.dtype([("R", "u1"), ("G", "u1"), ("B", "u1")])
        data = np.ascontiguousarray(rgb.transpose(2, 1, 0, 3)).view(kind)[..., 0]
        nibabel.save(nibabel.Nifti1Image(data, np.diag([-0.4, -0.5, 0.7, 1.0])), path)
    else:
        image = sitk.GetImageFromArray(rgb, isVector=True)
        image.SetSpacing(SPACING)
        sitk.WriteImage(image, str(path))
    bar = tmp_path / "bar.toml"
    bar.write_text("\n".join(f"[[stops]]\nm_s = {v}\nrgb = {list(c)}" for v, c in stops))
    refused = run(PROGRAM, "convert", path, tmp_path / "y.dcm")
    assert refused.returncode == 2 and "velocity-bar" in refused.stderr, refused.stderr
    told, arrays = codes(convert(path, tmp_path / "y.dcm", "--velocity-bar", bar))
    assert told["nyquist_m_s"] == pytest.approx(0.6)
    found = told["step_m_s"] * (arrays["velocity"][0].astype(float) - told["zero_code"])
    stated = [line for line in told["assumed"] if "velocities were read back" in line]
    error = float(stated[0].split("off by up to ")[1].split(" m/s")[0])
    assert error < 0.01
    assert np.max(np.abs(found - velocity)[~grey]) <= error + 1e-6
    assert np.all(arrays["velocity"][0][grey] == told["zero_code"])
    assert np.array_equal(arrays["tissue"][0][grey], level[grey])


@pytest.mark.parametrize("suffix", [".nii.gz", ".nrrd", ".mha"])
def test_a_measurement_does_not_depend_on_the_format(tmp_path, suffix):
    recipe = tmp_path / "recipe.toml"
    recipe.write_text('name = "small"\n[grid]\nshape = [36, 36, 36]\n[beat]\nframes = 2\n')
    source = tmp_path / "x.dcm"
    done = run(PROGRAM, "phantom", recipe, "-o", source)
    assert done.returncode == 0, done.stderr
    other = convert(source, tmp_path / f"y{suffix}")
    results = []
    for path in [source, other]:
        done = run(PROGRAM, "measure", path, "--json", "-")
        assert done.returncode in (0, 1), done.stderr
        results.append(json.loads(done.stdout))
    for first, second in zip(results[0]["jets"], results[1]["jets"], strict=True):
        assert first["vca_mm2"]["value"] == pytest.approx(second["vca_mm2"]["value"], rel=1e-9)
    assert results[1]["source"]["format"] in ("NIfTI-1", "NRRD", "MetaImage")
