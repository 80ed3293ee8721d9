"""Our DICOM files seen by other readers, and other writers' files seen by ours.

* What we write passes `dciodvfy` (dicom3tools) without an error and gives pydicom the same pixels.
* What a small writer on pydicom writes here, in another frame order, with shared or per-frame
  groups, in 8 or 16 bits and in other transfer syntaxes, is read back exactly.

Needs the program and the examples `codes` and `made_volume` built; NARROWS_BIN and NARROWS_EXAMPLES name them.
"""

import hashlib
import io
import itertools
import json
import os
import pathlib
import subprocess
import sys
import zlib

import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.sequence import Sequence
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLSLossless,
    RLELossless,
)

ROOT = pathlib.Path(__file__).resolve().parents[2]
EXAMPLES = pathlib.Path(os.environ.get("NARROWS_EXAMPLES", ROOT / "target" / "debug" / "examples"))
PROGRAM = pathlib.Path(os.environ.get("NARROWS_BIN", ROOT / "target" / "debug" / "narrows"))
DCIODVFY = pathlib.Path(sys.executable).parent / "dciodvfy"
KINDS = {"tissue": "TISSUE_INTENSITY", "velocity": "FLOW_VELOCITY", "power": "FLOW_POWER", "variance": "FLOW_VARIANCE"}


def run(*words):
    return subprocess.run([str(word) for word in words], capture_output=True, text=True, timeout=120)


def made(folder, bits, syntax, apex="apex"):
    path = folder / f"made_{bits}_{syntax}_{apex}.dcm"
    done = run(EXAMPLES / "made_volume", bits, syntax, apex, path)
    assert done.returncode == 0, done.stderr
    return path


def codes(path, *more):
    """What our reader makes of a file: the JSON, and the codes as `{kind: [frame, z, y, x]}`."""
    out = path.with_suffix(".codes")
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


def refused(path, *more):
    done = run(EXAMPLES / "codes", path, path.with_suffix(".codes"), *more)
    assert done.returncode == 2, (done.returncode, done.stdout, done.stderr)
    assert done.stderr.startswith("error: ") and "\nhint: " in done.stderr
    return done.stderr


def inflated(path):
    """A deflated file as Explicit VR Little Endian: dciodvfy does not inflate."""
    raw = path.read_bytes()
    meta = pydicom.filereader.read_file_meta_info(str(path))
    end = 128 + 4 + 12 + meta.FileMetaInformationGroupLength
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    buffer = io.BytesIO()
    buffer.write(bytes(128) + b"DICM")
    pydicom.filewriter.write_file_meta_info(buffer, meta)
    buffer.write(zlib.decompress(raw[end:], -zlib.MAX_WBITS))
    out = path.with_suffix(".inflated.dcm")
    out.write_bytes(buffer.getvalue())
    return out


def verify(path):
    done = run(DCIODVFY, "-allpffgitems", path)
    errors = [line for line in done.stderr.splitlines() if line.startswith("Error") or "Error -" in line]
    return errors, done


# ------------------------------------------------------------------------------ our writer


@pytest.mark.parametrize("apex", ["apex", "none"])
@pytest.mark.parametrize("syntax", ["native", "rle", "jpeg-ls", "deflated"])
@pytest.mark.parametrize("bits", [8, 16])
def test_writer_passes_dciodvfy(tmp_path, bits, syntax, apex):
    path = made(tmp_path, bits, syntax, apex)
    errors, done = verify(inflated(path) if syntax == "deflated" else path)
    assert "EnhancedUltrasoundVolume" in done.stderr + done.stdout
    assert errors == [] and done.returncode == 0


def test_dciodvfy_would_notice(tmp_path):
    """The check above can fail: a file without a required attribute does."""
    path = made(tmp_path, 8, "native")
    ds = pydicom.dcmread(path)
    del ds.VolumeFrameOfReferenceUID
    ds.save_as(path)
    assert verify(path)[0]


@pytest.mark.parametrize("syntax", ["native", "rle", "jpeg-ls", "deflated"])
@pytest.mark.parametrize("bits", [8, 16])
def test_pydicom_sees_the_same_pixels_and_meaning(tmp_path, bits, syntax):
    path = made(tmp_path, bits, syntax)
    told, arrays = codes(path)
    ds = pydicom.dcmread(path)
    pixels = ds.pixel_array
    found = {kind: np.zeros_like(array) for kind, array in arrays.items()}
    by_type = {KINDS[kind]: kind for kind in found}
    for frame, item in enumerate(ds.PerFrameFunctionalGroupsSequence):
        t, z, _ = item.FrameContentSequence[0].DimensionIndexValues
        kind = by_type[item.ImageDataTypeSequence[0].DataType]
        found[kind][t - 1, z - 1] = pixels[frame]
        position = np.array(item.PlanePositionVolumeSequence[0].ImagePositionVolume)
        expected = np.array(told["origin_mm"]) + (z - 1) * told["voxel_mm"][2] * np.array(told["axes"][2])
        assert np.allclose(position, expected, atol=1e-9)
        assert item.CardiacSynchronizationSequence[0].NominalCardiacTriggerDelayTime == pytest.approx(
            told["times_s"][t - 1] * 1000
        )
        if kind == "velocity":
            mapping = item.RealWorldValueMappingSequence[0]
            assert mapping.MeasurementUnitsCodeSequence[0].CodeValue == "cm/s"
            assert mapping.RealWorldValueSlope / 100 == pytest.approx(told["step_m_s"], rel=1e-14)
            assert mapping.RealWorldValueIntercept == pytest.approx(-mapping.RealWorldValueSlope * told["zero_code"])
    for kind, array in arrays.items():
        assert array.std() > 0 and np.array_equal(array, found[kind]), kind
    assert told["nyquist_m_s"] == pytest.approx(0.617, rel=1e-14)
    assert told["beats_rr_s"] == pytest.approx([0.82, 0.8371, 0.8, 1 / 1.3], rel=1e-13)


def test_all_syntaxes_hold_the_same_volume(tmp_path):
    first = made(tmp_path, 16, "native")
    _, expected = codes(first)
    for syntax in ["rle", "jpeg-ls", "deflated", "native"]:
        out = tmp_path / f"again_{syntax}.dcm"
        assert run(EXAMPLES / "codes", "--write", syntax, first, out).returncode == 0
        _, arrays = codes(out)
        assert all(np.array_equal(arrays[kind], expected[kind]) for kind in expected)
    # Writing what was read gives the same bytes, but for the assumptions now listed.
    assert pydicom.dcmread(out).SOPInstanceUID.startswith("2.25.")


def test_no_person_and_no_clock(tmp_path):
    first, second = made(tmp_path, 8, "native"), tmp_path / "second.dcm"
    digest = hashlib.sha256(first.read_bytes()).hexdigest()
    assert run(EXAMPLES / "made_volume", 8, "native", "apex", second).returncode == 0
    assert hashlib.sha256(second.read_bytes()).hexdigest() == digest
    ds = pydicom.dcmread(first, stop_before_pixels=True)
    assert not ds.PatientName and not ds.PatientID and ds.AcquisitionDateTime.startswith("19000101")


def test_highdicom_agrees_on_the_dimensions(tmp_path):
    import highdicom

    path = made(tmp_path, 8, "native")
    image = highdicom.imread(path)
    assert image.number_of_frames == 3 * 7 * 3
    pointers = [str(pointer) for pointer in image.dimension_index_pointers]
    assert len(pointers) == 3


# ------------------------------------------------------------------- an independent writer


def code(value, scheme, meaning):
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return Sequence([item])


def one(**values):
    item = Dataset()
    for name, value in values.items():
        setattr(item, name, value)
    return Sequence([item])


class Scene:
    """A volume with known codes, and the choices in writing it."""

    def __init__(self, bits=8, shape=(3, 5, 6, 8), kinds=("tissue", "velocity", "power"), seed=3):
        rng = np.random.default_rng(seed)
        self.bits, self.shape, self.kinds = bits, shape, kinds
        self.arrays = {
            kind: rng.integers(0, 2**bits, shape).astype(f"<u{bits // 8}") for kind in kinds
        }
        self.spacing = (0.5, 0.625, 0.75)  # x, y, z
        self.origin = np.array([-4.0, 3.5, 20.25])
        c, s = np.cos(0.4), np.sin(0.4)
        self.axes = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        self.times_ms = [12.5, 50.0, 87.5, 125.0, 162.5][: shape[0]]
        self.nyquist_cm_s, self.zero = 61.7, 90 if bits == 8 else 20000
        self.order = "shuffled"
        self.syntax = ExplicitVRLittleEndian
        self.mapping = "per-frame"  # or "absent"
        self.context = True
        self.aliased = "YES"
        self.gated = True
        self.zero_stated = True
        self.power_units = "dB"
        self.flip = 1.0  # -1: slices against the normal
        self.extent = {}  # of a kind: its times and its slices, where not all

    def frames(self):
        everywhere = (range(self.shape[0]), range(self.shape[1]))
        frames = [
            (t, z, k)
            for t, z, k in itertools.product(*everywhere, range(len(self.kinds)))
            if t in self.extent.get(self.kinds[k], everywhere)[0] and z in self.extent.get(self.kinds[k], everywhere)[1]
        ]
        if self.order == "shuffled":
            np.random.default_rng(9).shuffle(frames)
        return [tuple(int(i) for i in frame) for frame in frames]

    def dataset(self):
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.6.2"
        meta.MediaStorageSOPInstanceUID = "2.25.4711"
        meta.TransferSyntaxUID = self.syntax
        meta.ImplementationClassUID = "2.25.4712"
        ds = FileDataset(None, {}, file_meta=meta, preamble=bytes(128))
        ds.SOPClassUID, ds.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
        frames = self.frames()
        ds.Rows, ds.Columns, ds.NumberOfFrames = self.shape[2], self.shape[3], len(frames)
        ds.BitsAllocated = ds.BitsStored = self.bits
        ds.HighBit, ds.PixelRepresentation, ds.SamplesPerPixel = self.bits - 1, 0, 1
        ds.PhotometricInterpretation = "MONOCHROME2"
        ds.UltrasoundAcquisitionGeometry, ds.ApexPosition = "APEX", [1.5, -2.25, 0.125]
        ds.VolumeFrameOfReferenceUID, ds.FrameOfReferenceUID = "2.25.4713", "2.25.4714"
        ds.VolumeToTransducerMappingMatrix = [float(v) for v in np.eye(4).ravel()]
        if self.context:
            item = Dataset()
            item.ValueType = "NUMERIC"
            item.ConceptNameCodeSequence = code("59130-5", "LN", "Alias velocity")
            item.NumericValue = str(self.nyquist_cm_s)
            item.MeasurementUnitsCodeSequence = code("cm/s", "UCUM", "centimeter/second")
            ds.AcquisitionContextSequence = Sequence([item])
        ds.IntervalsAcquired = 4
        organization = one(DimensionOrganizationUID="2.25.4715")
        ds.DimensionOrganizationSequence = organization
        time_tags = (0x00209153, 0x00189118) if self.gated else (0x0020930D, 0x00209310)
        ds.DimensionIndexSequence = Sequence(
            one(
                DimensionIndexPointer=pointer, FunctionalGroupPointer=group, DimensionOrganizationUID="2.25.4715"
            )[0]
            for pointer, group in [time_tags, (0x00209301, 0x0020930E), (0x00189808, 0x00189807)]
        )
        shared = Dataset()
        shared.PixelMeasuresSequence = one(
            PixelSpacing=[self.spacing[1], self.spacing[0]],
            SliceThickness=self.spacing[2],
            SpacingBetweenSlices=self.spacing[2],
        )
        shared.PlaneOrientationVolumeSequence = one(ImageOrientationVolume=[float(v) for v in self.axes[:2].ravel()])
        ds.SharedFunctionalGroupsSequence = Sequence([shared])
        items = []
        slices = sorted({z for kind in self.kinds for z in self.extent.get(kind, (0, range(self.shape[1])))[1]})
        assert slices == list(range(self.shape[1]))
        for t, z, k in frames:
            item = Dataset()
            item.FrameContentSequence = one(DimensionIndexValues=[t + 1, z + 1, k + 1])
            position = self.origin + self.flip * z * self.spacing[2] * self.axes[2]
            item.PlanePositionVolumeSequence = one(ImagePositionVolume=[float(v) for v in position])
            if self.gated:
                item.CardiacSynchronizationSequence = one(
                    NominalCardiacTriggerDelayTime=self.times_ms[t], RRIntervalTimeNominal=820.0
                )
            else:
                item.TemporalPositionSequence = one(TemporalPositionTimeOffset=self.times_ms[t] / 1000)
            kind = self.kinds[k]
            data = Dataset()
            data.DataType = KINDS[kind]
            data.AliasedDataType = self.aliased if kind == "velocity" else "NO"
            if kind == "velocity" and self.zero_stated:
                data.ZeroVelocityPixelValue = self.zero
            item.ImageDataTypeSequence = Sequence([data])
            if self.mapping == "per-frame":
                slope, intercept, units = 1.0, 0.0, ("1", "UCUM", "no units")
                if kind == "velocity":
                    slope = 2 * self.nyquist_cm_s / 2**self.bits
                    intercept, units = -slope * self.zero, ("cm/s", "UCUM", "centimeter/second")
                if kind == "power" and self.power_units == "dB":
                    slope, intercept, units = 0.25, -48.0, ("dB", "UCUM", "decibel")
                mapping = Dataset()
                mapping.add_new(0x00409216, "US", 0)
                mapping.add_new(0x00409211, "US", 2**self.bits - 1)
                mapping.RealWorldValueSlope, mapping.RealWorldValueIntercept = slope, intercept
                mapping.LUTLabel, mapping.LUTExplanation = kind.upper(), kind
                mapping.MeasurementUnitsCodeSequence = code(*units)
                item.RealWorldValueMappingSequence = Sequence([mapping])
            items.append(item)
        ds.PerFrameFunctionalGroupsSequence = Sequence(items)
        ds.PixelData = b"".join(self.arrays[self.kinds[k]][t, z].tobytes() for t, z, k in frames)
        ds["PixelData"].VR = "OB" if self.bits == 8 else "OW"
        return ds

    def save(self, path, change=None):
        compressed = self.syntax in (RLELossless, JPEGLSLossless, JPEG2000Lossless)
        target, self.syntax = self.syntax, ExplicitVRLittleEndian if compressed else self.syntax
        ds = self.dataset()
        self.syntax = target
        if compressed:
            ds.compress(target, generate_instance_uid=False)
            ds["PixelData"].VR = "OB"
        if change:
            change(ds)
        ds.save_as(path, enforce_file_format=True)
        return path

    def check(self, path, *more, slices=slice(None)):
        told, arrays = codes(path, *more)
        assert set(arrays) == set(self.kinds)
        for kind, array in arrays.items():
            assert np.array_equal(array, self.arrays[kind][:, slices]), kind
        assert told["grid"] == list(reversed(self.shape[1:]))
        assert told["voxel_mm"] == pytest.approx(self.spacing)
        assert told["times_s"] == pytest.approx([ms / 1000 for ms in self.times_ms])
        assert told["apex_mm"] == [1.5, -2.25, 0.125]
        return told


@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, ImplicitVRLittleEndian, DeflatedExplicitVRLittleEndian])
@pytest.mark.parametrize("order", ["sorted", "shuffled"])
@pytest.mark.parametrize("bits", [8, 16])
def test_reads_native_files_in_any_frame_order(tmp_path, bits, order, syntax):
    scene = Scene(bits)
    scene.order, scene.syntax = order, syntax
    told = scene.check(scene.save(tmp_path / "theirs.dcm"))
    assert told["origin_mm"] == pytest.approx(scene.origin)
    assert np.allclose(told["axes"], scene.axes, atol=1e-12)
    assert told["nyquist_m_s"] == pytest.approx(0.617)
    assert told["zero_code"] == scene.zero and told["gated_beats"] == 4 and told["rr_s"] == pytest.approx(0.82)
    assert told["limits_m_s"][0] == pytest.approx(-scene.zero * 2 * 0.617 / 2**bits)
    assert told["power"].startswith("Decibel") and "0.25" in told["power"]


@pytest.mark.parametrize("syntax", [RLELossless, JPEGLSLossless, JPEG2000Lossless])
@pytest.mark.parametrize("bits", [8, 16])
def test_reads_compressed_files(tmp_path, bits, syntax):
    scene = Scene(bits, shape=(2, 3, 96, 80))
    scene.syntax = syntax
    scene.check(scene.save(tmp_path / "theirs.dcm"))


@pytest.mark.parametrize("syntax", [RLELossless, JPEGLSLossless])
def test_reads_frames_of_several_fragments(tmp_path, syntax):
    scene = Scene(8, shape=(2, 3, 64, 80))
    scene.syntax = syntax

    def split(ds):
        frames = list(pydicom.encaps.generate_frames(ds.PixelData, number_of_frames=ds.NumberOfFrames))
        ds.PixelData = encapsulate(frames, fragments_per_frame=2, has_bot=True)

    scene.check(scene.save(tmp_path / "theirs.dcm", split))


def test_groups_may_be_shared_or_per_frame(tmp_path):
    scene = Scene(shape=(1, 5, 6, 8), kinds=("velocity",))

    def share(ds):
        shared = ds.SharedFunctionalGroupsSequence[0]
        for item in ds.PerFrameFunctionalGroupsSequence:
            for name in ["ImageDataTypeSequence", "RealWorldValueMappingSequence", "CardiacSynchronizationSequence"]:
                setattr(shared, name, getattr(item, name))
                delattr(item, name)

    scene.check(scene.save(tmp_path / "shared.dcm", share))

    def spread(ds):
        shared = ds.SharedFunctionalGroupsSequence[0]
        for item in ds.PerFrameFunctionalGroupsSequence:
            item.PixelMeasuresSequence = shared.PixelMeasuresSequence
            item.PlaneOrientationVolumeSequence = shared.PlaneOrientationVolumeSequence
        del ds.SharedFunctionalGroupsSequence

    scene.check(scene.save(tmp_path / "spread.dcm", spread))


def test_index_values_decide_also_with_gaps_and_other_starts(tmp_path):
    scene = Scene()

    def renumber(ds):
        for item in ds.PerFrameFunctionalGroupsSequence:
            t, z, k = item.FrameContentSequence[0].DimensionIndexValues
            item.FrameContentSequence[0].DimensionIndexValues = [t * 3 + 7, z * 2, k + 40]

    scene.check(scene.save(tmp_path / "theirs.dcm", renumber))


def test_dimensions_in_another_order_are_read_by_their_pointers(tmp_path):
    scene = Scene()

    def turn(ds):
        a, b, c = ds.DimensionIndexSequence
        ds.DimensionIndexSequence = Sequence([c, a, b])
        for item in ds.PerFrameFunctionalGroupsSequence:
            t, z, k = item.FrameContentSequence[0].DimensionIndexValues
            item.FrameContentSequence[0].DimensionIndexValues = [k, t, z]

    told = scene.check(scene.save(tmp_path / "theirs.dcm", turn))
    assert any("pointers" in line for line in told["assumed"])


def test_slices_against_the_normal_are_numbered_from_the_last(tmp_path):
    scene = Scene()
    scene.flip = -1.0
    told = scene.check(scene.save(tmp_path / "theirs.dcm"), slices=slice(None, None, -1))
    last = scene.origin - 4 * 0.75 * scene.axes[2]
    assert told["origin_mm"] == pytest.approx(last)
    assert np.linalg.det(np.array(told["axes"])) == pytest.approx(1.0)


def test_times_from_the_first_frame(tmp_path):
    scene = Scene()
    scene.gated = False
    told = scene.check(scene.save(tmp_path / "theirs.dcm"))
    assert told["rr_s"] is None
    assert any("R wave" in line for line in told["assumed"])


def test_nyquist_comes_from_the_context_then_the_cycle_then_the_user(tmp_path):
    scene = Scene()
    scene.context = False
    told = scene.check(scene.save(tmp_path / "cycle.dcm"))
    assert told["nyquist_m_s"] == pytest.approx(0.617)
    assert any("cycle" in line for line in told["assumed"])

    scene.aliased = "NO"
    assert "--nyquist" in refused(scene.save(tmp_path / "open.dcm"))
    told = scene.check(tmp_path / "open.dcm", "--nyquist", "0.7")
    assert told["nyquist_m_s"] == 0.7 and told["cycle"] == "Open"

    scene.aliased, scene.mapping = "YES", "absent"
    assert "--nyquist" in refused(scene.save(tmp_path / "unmapped.dcm"))
    told = scene.check(tmp_path / "unmapped.dcm", "--nyquist", "0.64")
    assert told["nyquist_m_s"] == 0.64 and told["step_m_s"] == pytest.approx(0.005)
    assert told["zero_code"] == 90 and told["limits_m_s"][0] == pytest.approx(-0.45)
    assert sum("mapping" in line for line in told["assumed"]) == 2  # velocity and power

    scene.zero_stated = False
    told = scene.check(scene.save(tmp_path / "bare.dcm"), "--nyquist", "0.64")
    assert told["zero_code"] == 128


def test_power_is_linear_by_its_units(tmp_path):
    scene = Scene()
    scene.power_units = "1"
    told = scene.check(scene.save(tmp_path / "theirs.dcm"))
    assert told["power"].startswith("Linear")


def velocity_mappings(make):
    """Replaces the mappings of velocity frames by what `make` returns for the one that stands there."""

    def change(ds):
        for item in ds.PerFrameFunctionalGroupsSequence:
            if item.ImageDataTypeSequence[0].DataType == "FLOW_VELOCITY":
                item.RealWorldValueMappingSequence = Sequence(make(item.RealWorldValueMappingSequence[0]))

    return change


def linear(slope, intercept, units, first=0, last=255):
    mapping = Dataset()
    mapping.add_new(0x00409216, "US", first)
    mapping.add_new(0x00409211, "US", last)
    mapping.RealWorldValueSlope, mapping.RealWorldValueIntercept = slope, intercept
    mapping.LUTLabel, mapping.LUTExplanation = "X", "x"
    mapping.MeasurementUnitsCodeSequence = code(units, "UCUM", units)
    return mapping


def table(values, units, first=0):
    mapping = linear(1, 0, units, first, first + len(values) - 1)
    del mapping.RealWorldValueSlope, mapping.RealWorldValueIntercept
    mapping.RealWorldValueLUTData = [float(value) for value in values]
    return mapping


def test_the_velocity_mapping_is_found_by_its_unit(tmp_path):
    """Of several mappings, in any order and spelling of the unit, that of velocity counts."""
    for units, factor in [("cm/s", 1), ("cm.s-1", 1), ("m/s", 0.01), ("m.s-1", 0.01), ("mm/s", 10), ("mm.s-1", 10)]:
        scene = Scene()

        def both(own):
            values = own.RealWorldValueSlope * factor, own.RealWorldValueIntercept * factor
            return [linear(1.0, 0.0, "1"), linear(17.0, -3.0, "kHz"), linear(*values, units)]

        told = scene.check(scene.save(tmp_path / "theirs.dcm", velocity_mappings(both)))
        assert told["step_m_s"] == pytest.approx(2 * 0.617 / 256), units
        scene.context = False
        item_units = code(units, "UCUM", units)

        def stated(ds):
            velocity_mappings(both)(ds)
            context = Dataset()
            context.ValueType, context.NumericValue = "NUMERIC", str(61.7 * factor)
            context.ConceptNameCodeSequence = code("59130-5", "LN", "Alias velocity")
            context.MeasurementUnitsCodeSequence = item_units
            ds.AcquisitionContextSequence = Sequence([context])

        told = scene.check(scene.save(tmp_path / "theirs.dcm", stated))
        assert told["nyquist_m_s"] == pytest.approx(0.617), units
        assert not any("Nyquist" in line for line in told["assumed"])


def test_tables_and_pieces_are_read_where_they_are_one_line_and_refused_otherwise(tmp_path):
    scene = Scene()
    line = lambda own: np.arange(256) * own.RealWorldValueSlope + own.RealWorldValueIntercept
    for make in [
        lambda own: [table(line(own), "cm/s")],
        lambda own: [table(line(own)[:100], "cm/s"), table(line(own)[100:], "cm/s", 100)],
        lambda own: [own, table(line(own) / 100, "m/s")],
    ]:
        told = scene.check(scene.save(tmp_path / "theirs.dcm", velocity_mappings(make)))
        assert told["step_m_s"] == pytest.approx(2 * 0.617 / 256)
    for make, words in [
        (lambda own: [table(np.sign(line(own)) * line(own) ** 2, "cm/s")], "no straight line"),
        (lambda own: [table(line(own)[:99], "cm/s"), linear(3.0, 0.0, "cm/s", 99, 255)], "several pieces"),
        (lambda own: [own, linear(0.9, -81.0, "cm/s")], "several pieces"),
    ]:
        text = refused(scene.save(tmp_path / "bad.dcm", velocity_mappings(make)), "--nyquist", "0.6")
        assert words in text and "velocity" in text, text

    def power(ds):
        for item in ds.PerFrameFunctionalGroupsSequence:
            if item.ImageDataTypeSequence[0].DataType == "FLOW_POWER":
                item.RealWorldValueMappingSequence = Sequence([table(np.log10(np.arange(256) + 1), "dB")])

    assert "mapping of the power is a look-up table" in refused(scene.save(tmp_path / "bad.dcm", power))


@pytest.mark.parametrize("units", ["1", "Hz", "kHz", "kg"])
def test_a_given_nyquist_velocity_makes_no_line_of_a_curve(tmp_path, units):
    scene = Scene()
    curve = np.sign(np.arange(256) - 90) * np.abs(np.arange(256) - 90.0) ** 1.5
    for make in [lambda own: [table(curve, units)], lambda own: [linear(1, -90, units, 0, 99), linear(2, -189, units, 100)]]:
        text = refused(scene.save(tmp_path / "bad.dcm", velocity_mappings(make)), "--nyquist", "0.6")
        assert "mapping of the velocity" in text and ("no straight line" in text or "several pieces" in text), text
    straight = velocity_mappings(lambda own: [linear(1, -90, units)])
    assert codes(scene.save(tmp_path / "theirs.dcm", straight), "--nyquist", "0.6")[0]["nyquist_m_s"] == 0.6


def test_a_mapping_without_a_course_is_refused_by_name(tmp_path):
    def bare(own):
        del own.RealWorldValueSlope
        return [own]

    for more in [[], ["--nyquist", "0.6"]]:
        text = refused(Scene().save(tmp_path / "bad.dcm", velocity_mappings(bare)), *more)
        assert "mapping of the velocity has neither a slope nor a look-up table" in text, text


def test_doppler_shifts_need_a_frequency_and_an_angle(tmp_path):
    """v = c f / (2 f0), c = 1540 m/s: 1 kHz at 5 MHz is 0.154 m/s along the beam."""
    scene = Scene()
    scene.context = False
    shift = velocity_mappings(lambda own: [linear(0.01, -0.9, "kHz")])

    def change(**stated):
        def both(ds):
            shift(ds)
            region = Dataset()
            for name, value in stated.items():
                setattr(region, name, value)
            ds.SequenceOfUltrasoundRegions = Sequence([region])

        return both

    for stated, words in [({}, "frequency"), ({"TransducerFrequency": 5000}, "angle"), ({"DopplerCorrectionAngle": 0.0}, "frequency")]:
        assert words in refused(scene.save(tmp_path / "bad.dcm", change(**stated)))
    for angle in [0.0, 30.0]:
        path = scene.save(tmp_path / "theirs.dcm", change(TransducerFrequency=5000, DopplerCorrectionAngle=angle))
        told = scene.check(path)
        assert told["step_m_s"] == pytest.approx(0.01 * 0.154)
        assert told["nyquist_m_s"] == pytest.approx(0.01 * 0.154 * 128)
        assert any("5000 kHz" in line for line in told["assumed"])
        assert any("not applied" in line for line in told["assumed"]) == (angle != 0)
    told = scene.check(scene.save(tmp_path / "bare.dcm", shift), "--nyquist", "0.6")
    assert told["nyquist_m_s"] == 0.6


def test_other_data_types_are_left_aside(tmp_path):
    scene = Scene(kinds=("tissue", "velocity", "power"))

    def strange(ds):
        for item in ds.PerFrameFunctionalGroupsSequence:
            if item.ImageDataTypeSequence[0].DataType == "FLOW_POWER":
                item.ImageDataTypeSequence[0].DataType = "ELASTICITY"

    _, arrays = codes(scene.save(tmp_path / "theirs.dcm", strange))
    assert set(arrays) == {"tissue", "velocity"}
    assert all(np.array_equal(arrays[kind], scene.arrays[kind]) for kind in arrays)


def test_data_types_may_cover_other_times_and_slices(tmp_path):
    """The volume is that of the velocity; tissue is the nearest in time; what is left out or filled in is told."""
    scene = Scene()  # 3 times, 5 slices
    scene.extent = {"tissue": ([0], range(5))}
    told, arrays = codes(scene.save(tmp_path / "once.dcm"))
    assert np.array_equal(arrays["velocity"], scene.arrays["velocity"])
    assert all(np.array_equal(arrays["tissue"][t], scene.arrays["tissue"][0]) for t in range(3))
    assert any("tissue has no frame at 2 of the 3 times" in line for line in told["assumed"])

    scene.extent = {"tissue": ([0, 2], range(5))}
    scene.times_ms = [10.0, 50.0, 80.0]
    _, arrays = codes(scene.save(tmp_path / "twice.dcm"))
    assert [next(t for t in range(3) if np.array_equal(frame, scene.arrays["tissue"][t])) for frame in arrays["tissue"]] == [0, 2, 2]

    slab = {kind: (range(3), [1, 2, 3]) for kind in ("velocity", "power")}
    for compressed in [ExplicitVRLittleEndian, RLELossless]:
        scene = Scene()
        scene.extent, scene.syntax = slab, compressed
        told, arrays = codes(scene.save(tmp_path / "slab.dcm"))
        assert told["grid"] == [8, 6, 3]
        assert told["origin_mm"] == pytest.approx(scene.origin + 0.75 * scene.axes[2])
        assert all(np.array_equal(arrays[kind], scene.arrays[kind][:, 1:4]) for kind in scene.kinds)
        seen = run(PROGRAM, "inspect", tmp_path / "slab.dcm").stdout
        assert "left out    the tissue outside of the times and slices of the velocity (0 times, 2 slices)" in seen
        done = run(PROGRAM, "convert", tmp_path / "slab.dcm", tmp_path / "out.dcm")
        assert done.returncode == 0 and "2 slices" in done.stderr, done.stderr

        scene.extent = {"power": (range(3), [0, 1, 2])}
        told, arrays = codes(scene.save(tmp_path / "part.dcm"))
        assert np.array_equal(arrays["power"][:, :3], scene.arrays["power"][:, :3]) and not arrays["power"][:, 3:].any()
        assert any("power covers 3 of the 5 slices" in line for line in told["assumed"])

    scene = Scene()
    scene.extent = {kind: (range(3), [0, 2, 4]) for kind in ("velocity", "power")}
    told, arrays = codes(scene.save(tmp_path / "coarse.dcm"))
    assert told["voxel_mm"][2] == pytest.approx(1.5)
    assert all(np.array_equal(arrays[kind], scene.arrays[kind][:, ::2]) for kind in scene.kinds)


def test_power_and_variance_of_another_time_are_not_taken(tmp_path):
    """They are measured with: where they are not at all times of the velocity they are left out, and told."""
    for kind, times in [("power", [0, 2]), ("power", [0]), ("variance", [0, 1])]:
        scene = Scene(kinds=("tissue", "velocity", kind))
        scene.extent = {kind: (times, range(5))}
        told, arrays = codes(scene.save(tmp_path / "theirs.dcm"))
        assert set(arrays) == {"tissue", "velocity"}
        assert np.array_equal(arrays["velocity"], scene.arrays["velocity"])
        assert any(f"{kind} has no frame at {3 - len(times)} of the 3 times" in line for line in told["assumed"])
        done = run(PROGRAM, "convert", tmp_path / "theirs.dcm", tmp_path / "out.dcm")
        assert done.returncode == 0 and f"not carried over: the {kind}" in done.stderr, done.stderr
    scene = Scene()
    scene.extent = {"velocity": ([1, 2], range(5))}
    told, arrays = codes(scene.save(tmp_path / "more.dcm"))
    assert np.array_equal(arrays["power"], scene.arrays["power"][1:])


def in_jpeg(ds, quality, colours=None):
    """Pixel Data as JPEG baseline (libjpeg), a frame a stream; and what libjpeg makes of it."""
    from PIL import Image

    streams, decoded = [], []
    shape = (ds.NumberOfFrames, ds.Rows, ds.Columns) + ((3,) if colours is not None else ())
    frames = np.frombuffer(ds.PixelData, np.uint8).reshape(shape) if colours is None else colours
    for frame in frames:
        buffer = io.BytesIO()
        Image.fromarray(frame).save(buffer, "JPEG", quality=quality)
        streams.append(buffer.getvalue())
        decoded.append(np.asarray(Image.open(io.BytesIO(streams[-1]))))
    ds.PixelData = encapsulate(streams)
    ds["PixelData"].VR = "OB"
    ds.file_meta.TransferSyntaxUID = JPEGBaseline8Bit
    ds.LossyImageCompression = "01"
    ds.LossyImageCompressionMethod = "ISO_10918_1"
    ds.LossyImageCompressionRatio = "7.5"
    return np.array(decoded)


def findings(path, *more):
    done = run(PROGRAM, "inspect", path, "--json", "-", *more)
    assert done.returncode in (0, 1), done.stderr
    return {finding["code"]: finding for finding in json.loads(done.stdout)["trust"]["findings"]}


def smooth(scene):
    """Codes that a picture might have."""
    shape = np.array(scene.shape[2:])
    y, x = np.mgrid[: shape[0], : shape[1]]
    for k, kind in enumerate(scene.kinds):
        for t, z in itertools.product(range(scene.shape[0]), range(scene.shape[1])):
            wave = 127 + 80 * np.sin(x / (5.0 + k) + t) * np.cos(y / 7.0 + z)
            scene.arrays[kind][t, z] = wave.astype(np.uint8)


def test_jpeg_baseline_is_read_and_stays_marked_as_lossy(tmp_path):
    scene = Scene(8, shape=(1, 2, 33, 47))
    smooth(scene)
    kept = {}
    path = scene.save(tmp_path / "jpeg.dcm", lambda ds: kept.update(decoded=in_jpeg(ds, 85)))
    told, arrays = codes(path)
    for (t, z, k), expected in zip(scene.frames(), kept["decoded"], strict=True):
        assert np.abs(arrays[scene.kinds[k]][t, z].astype(int) - expected).max() <= 1
    assert any("lose information" in line for line in told["assumed"])
    finding = findings(path)["lossy-velocity"]
    assert finding["verdict"] == "limited" and "ISO_10918_1" in finding["message"]
    # By the steps of libjpeg's luminance table at this quality, in the root mean square, in m/s.
    table = np.array(Image_quantisation(85), float)
    assert finding["value"] == pytest.approx(np.sqrt(np.mean(table**2) / 12) * 2 * 0.617 / 256, rel=1e-6)
    # However it is stored afterwards, by whatever way.
    run(PROGRAM, "convert", path, tmp_path / "a.dcm", "--syntax", "jpeg-ls")
    run(PROGRAM, "convert", path, tmp_path / "b.nrrd")
    run(PROGRAM, "convert", tmp_path / "b.nrrd", tmp_path / "c.dcm")
    for name in ["a.dcm", "c.dcm"]:
        ds = pydicom.dcmread(tmp_path / name, stop_before_pixels=True)
        assert ds.LossyImageCompression == "01" and float(ds.LossyImageCompressionRatio) == 7.5
        assert ds.LossyImageCompressionMethod == "ISO_10918_1"
        assert findings(tmp_path / name)["lossy-velocity"]["verdict"] == "limited"
    assert verify(tmp_path / "a.dcm")[0] == []
    # A file without loss says so.
    plain = scene.save(tmp_path / "plain.dcm")
    assert "lossy-velocity" not in findings(plain)
    run(PROGRAM, "convert", plain, tmp_path / "d.dcm")
    assert pydicom.dcmread(tmp_path / "d.dcm", stop_before_pixels=True).LossyImageCompression == "00"

    def cut(ds):
        in_jpeg(ds, 85)
        frames = list(pydicom.encaps.generate_frames(ds.PixelData, number_of_frames=ds.NumberOfFrames))
        frames[3] = frames[3][: len(frames[3]) // 2]
        ds.PixelData = encapsulate(frames)

    text = refused(scene.save(tmp_path / "bad.dcm", cut))
    assert "frame 4 cannot be decoded" in text and "cut off" in text


def Image_quantisation(quality):
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(np.zeros((8, 8), np.uint8)).save(buffer, "JPEG", quality=quality)
    return Image.open(io.BytesIO(buffer.getvalue())).quantization[0]


@pytest.mark.parametrize("near", [0, 3])
def test_near_lossless_velocities_are_told_with_their_bound(tmp_path, near):
    import jpeg_ls
    from pydicom.uid import JPEGLSNearLossless

    scene = Scene(8, shape=(1, 2, 64, 80))
    smooth(scene)

    def change(ds):
        frames = np.frombuffer(ds.PixelData, np.uint8).reshape(ds.NumberOfFrames, ds.Rows, ds.Columns)
        ds.PixelData = encapsulate([bytes(jpeg_ls.encode_array(frame, lossy_error=near)) for frame in frames])
        ds["PixelData"].VR = "OB"
        ds.file_meta.TransferSyntaxUID = JPEGLSNearLossless

    path = scene.save(tmp_path / "near.dcm", change)
    _, arrays = codes(path)
    off = max(np.abs(arrays[kind].astype(int) - scene.arrays[kind]).max() for kind in scene.kinds)
    found = findings(path)
    assert off <= near and ("lossy-velocity" in found) == (near > 0)
    if near:
        assert found["lossy-velocity"]["value"] == pytest.approx(near * 2 * 0.617 / 256)


@pytest.mark.parametrize("stored", ["RGB", "RGB planes", "YBR_FULL", "JPEG YBR", "JPEG RGB"])
def test_colours_are_read_with_their_bar_only(tmp_path, stored):
    """An object of colours: velocity coloured here, read back by its bar."""
    scene = Scene(8, shape=(2, 3, 32, 48), kinds=("tissue",))
    y, x = np.mgrid[:32, :48]
    velocity = np.stack([[0.55 * np.sin(x / 9 + t) * np.cos(y / 11 + z) for z in range(3)] for t in range(2)])
    stops = [(-0.6, (0, 255, 255)), (0.0, (0, 0, 90)), (0.0, (90, 0, 0)), (0.6, (255, 255, 0))]
    low, high = np.array([s[1] for s in stops[:2]], float), np.array([s[1] for s in stops[2:]], float)
    share = np.where(velocity < 0, (velocity + 0.6) / 0.6, velocity / 0.6)[..., None]
    rgb = np.where(velocity[..., None] < 0, low[0] + (low[1] - low[0]) * share, high[0] + (high[1] - high[0]) * share)
    rgb = np.rint(rgb).astype(np.uint8)
    bar = tmp_path / "bar.toml"
    bar.write_text("\n".join(f"[[stops]]\nm_s = {v}\nrgb = {list(c)}" for v, c in stops))

    def change(ds):
        frames = np.array([rgb[t, z] for t, z, _ in scene.frames()])
        ds.SamplesPerPixel, ds.PlanarConfiguration, ds.PhotometricInterpretation = 3, 0, "RGB"
        if stored == "RGB planes":
            ds.PlanarConfiguration, frames = 1, frames.transpose(0, 3, 1, 2)
        if stored == "YBR_FULL":
            ds.PhotometricInterpretation = stored
            frames = np.array([pydicom.pixels.processing.convert_color_space(f, "RGB", "YBR_FULL") for f in frames])
        ds.PixelData = frames.tobytes()
        if stored.startswith("JPEG"):
            ds.PhotometricInterpretation = "YBR_FULL_422" if stored == "JPEG YBR" else "RGB"
            streams = [jpeg_of(frame, stored == "JPEG YBR") for frame in frames]
            ds.PixelData = encapsulate(streams)
            ds["PixelData"].VR = "OB"
            ds.file_meta.TransferSyntaxUID = JPEGBaseline8Bit

    path = scene.save(tmp_path / "colours.dcm", change)
    assert "velocity-bar" in refused(path)
    done = run(PROGRAM, "convert", path, tmp_path / "y.nrrd", "--velocity-bar", bar)
    assert done.returncode == 0, done.stderr
    told, arrays = codes(tmp_path / "y.nrrd")
    found = told["step_m_s"] * (arrays["velocity"].astype(float) - told["zero_code"])
    away = np.abs(velocity) > 0.05  # near zero the bar changes from red to blue
    assert np.quantile(np.abs(found - velocity)[away], 0.95) < (0.08 if stored.startswith("JPEG") else 0.012)
    plain = Scene(8).save(tmp_path / "plain.dcm")
    done = run(PROGRAM, "inspect", plain, "--velocity-bar", bar)
    assert "no colours" in done.stdout + done.stderr


def jpeg_of(frame, transformed):
    """A stream of colours, of luminance and chrominance or of red, green and blue as they are."""
    from PIL import Image

    buffer = io.BytesIO()
    if transformed:
        Image.fromarray(frame).save(buffer, "JPEG", quality=92)
    else:
        Image.fromarray(frame).save(buffer, "JPEG", quality=92, keep_rgb=True)
    return buffer.getvalue()


def frame_of(ds, t, z, k):
    wanted = [t, z, k]
    return next(
        item
        for item in ds.PerFrameFunctionalGroupsSequence
        if list(item.FrameContentSequence[0].DimensionIndexValues) == wanted
    )


def swap_pointers(ds):
    a, b, c = ds.DimensionIndexSequence
    ds.DimensionIndexSequence = Sequence([b, a, c])


def duplicate(ds):
    position = frame_of(ds, 1, 1, 2).PlanePositionVolumeSequence
    twin = frame_of(ds, 1, 2, 1)
    twin.FrameContentSequence[0].DimensionIndexValues = [1, 1, 1]
    twin.PlanePositionVolumeSequence = position


def missing(ds):
    items = list(ds.PerFrameFunctionalGroupsSequence)
    gone = frame_of(ds, 2, 3, 2)
    at = next(i for i, item in enumerate(items) if item is gone)
    del items[at]
    size = ds.Rows * ds.Columns
    ds.PixelData = ds.PixelData[: at * size] + ds.PixelData[(at + 1) * size :]
    ds.PerFrameFunctionalGroupsSequence = Sequence(items)
    ds.NumberOfFrames = len(items)


def uneven(ds):
    for item in ds.PerFrameFunctionalGroupsSequence:
        if item.FrameContentSequence[0].DimensionIndexValues[1] == 3:
            item.PlanePositionVolumeSequence[0].ImagePositionVolume[2] += 0.2


def skewed(ds):
    plane = ds.SharedFunctionalGroupsSequence[0].PlaneOrientationVolumeSequence[0]
    plane.ImageOrientationVolume = [1.0, 0.0, 0.0, 0.1, float(np.sqrt(0.99)), 0.0]


def scaled_matrix(ds):
    ds.VolumeToTransducerMappingMatrix = [float(v) for v in np.diag([1.0, 1.1, 1.0, 1.0]).ravel()]


def pixel_spacing(value):
    def change(ds):
        measures = ds.SharedFunctionalGroupsSequence[0].PixelMeasuresSequence[0]
        measures["PixelSpacing"]._value = None
        del measures.PixelSpacing
        element = pydicom.dataelem.RawDataElement(
            pydicom.tag.Tag(0x00280030), "DS", len(value), value, 0, False, True
        )
        measures[0x00280030] = element

    return change


def attribute(name, value):
    return lambda ds: setattr(ds, name, value)


def other_class(ds):
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.3.1"


def odd_units(ds):
    for item in ds.PerFrameFunctionalGroupsSequence:
        mapping = item.RealWorldValueMappingSequence[0]
        if mapping.MeasurementUnitsCodeSequence[0].CodeValue == "cm/s":
            mapping.MeasurementUnitsCodeSequence = code("kg", "UCUM", "kilogram")


def zero_off(ds):
    for item in ds.PerFrameFunctionalGroupsSequence:
        if "ZeroVelocityPixelValue" in item.ImageDataTypeSequence[0]:
            item.ImageDataTypeSequence[0].ZeroVelocityPixelValue = 128


@pytest.mark.parametrize(
    "change, words",
    [
        (swap_pointers, "order they are declared in"),
        (duplicate, "have the same dimension index values"),
        (missing, "no frame of the 44 has time 2, position 3 of FLOW_VELOCITY"),
        (uneven, "slices are uneven"),
        (skewed, "not orthogonal"),
        (scaled_matrix, "not rigid"),
        (pixel_spacing(b"NaN\\1.0 "), "spacing"),
        (pixel_spacing(b"0\\0 "), "spacing"),
        (attribute("NumberOfFrames", 2**31 - 1), "frames are declared"),
        (attribute("Rows", 0), "no voxels"),
        (attribute("Columns", 65535), "pixel data should have"),
        (other_class, "Ultrasound Multi-frame Image"),
        (odd_units, "not a velocity"),
        (zero_off, "puts zero at code 90"),
        (attribute("BitsStored", 7), "7 bits stored in 8"),
        (attribute("PixelRepresentation", 1), "signed"),
        (lambda ds: delattr(ds, "PixelData"), "Pixel Data"),
    ],
)
def test_refuses_what_cannot_be_trusted(tmp_path, change, words):
    text = refused(Scene().save(tmp_path / "bad.dcm", change))
    assert words in text, text


# -------------------------------------------------------------------------- several files


def in_parts(path, counts):
    """A file cut into a concatenation (PS3.3 C.7.6.16), each part in a syntax of its own."""
    paths, offset = [], 0
    for number, count in enumerate(counts, 1):
        ds = pydicom.dcmread(path)
        frames = slice(offset, offset + count)
        size = ds.Rows * ds.Columns * ds.BitsAllocated // 8
        ds.PixelData = ds.PixelData[offset * size : (offset + count) * size]
        ds.PerFrameFunctionalGroupsSequence = Sequence(ds.PerFrameFunctionalGroupsSequence[frames])
        ds.NumberOfFrames = count
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = f"2.25.471{number}"
        ds.ConcatenationUID, ds.SOPInstanceUIDOfConcatenationSource = "2.25.99", "2.25.4711"
        ds.InConcatenationNumber, ds.InConcatenationTotalNumber = number, len(counts)
        ds.ConcatenationFrameOffsetNumber = offset
        if number % 2 == 0:
            ds.compress(RLELossless, generate_instance_uid=False)
            ds["PixelData"].VR = "OB"
        paths.append(path.parent / f"part_{len(counts) - number}.dcm")
        ds.save_as(paths[-1], enforce_file_format=True)
        offset += count
    path.unlink()
    return paths


@pytest.mark.parametrize("bits", [8, 16])
def test_the_parts_of_a_concatenation_make_one_volume(tmp_path, bits):
    scene = Scene(bits)
    whole = scene.save(tmp_path / "whole.dcm")
    parts = in_parts(whole, [20, 21, 4])
    told, arrays = codes(tmp_path)
    for kind, array in arrays.items():
        assert np.array_equal(array, scene.arrays[kind]), kind
    assert told["times_s"] == pytest.approx([ms / 1000 for ms in scene.times_ms])
    text = refused(parts[1])
    assert "part 2 of 3" in text and "parts 1 and 3 are missing" in text
    done = run(PROGRAM, "inspect", *parts[:2])
    assert done.returncode == 1 and "part 3 is missing" in done.stdout
    done = run(PROGRAM, "measure", parts[0], "--json", "-")
    assert done.returncode == 2 and "parts 2 and 3 are missing" in done.stderr and not done.stdout
    for arguments in [[tmp_path], parts[::-1], parts]:
        done = run(PROGRAM, "inspect", *arguments)
        assert done.returncode in (0, 1) and "problem" not in done.stdout, done.stdout + done.stderr
    done = run(PROGRAM, "convert", *parts, tmp_path / "one.nrrd")
    assert done.returncode == 0, done.stderr
    assert all(np.array_equal(codes(tmp_path / "one.nrrd")[1][kind], scene.arrays[kind]) for kind in arrays)
    for made in [*tmp_path.glob("one.*"), *tmp_path.glob("*.codes")]:
        made.unlink(missing_ok=True)
    done = run(PROGRAM, "cohort", tmp_path, "--out", tmp_path / "t.csv")
    assert "1 volumes" in done.stderr, done.stderr
    # Known by their series where the concatenation has no name.
    for part in parts:
        ds = pydicom.dcmread(part)
        del ds.ConcatenationUID, ds.SOPInstanceUIDOfConcatenationSource
        ds.save_as(part, enforce_file_format=True)
    done = run(PROGRAM, "inspect", tmp_path)
    assert done.returncode in (0, 1) and "problem" not in done.stdout, done.stdout + done.stderr
    parts[2].unlink()
    done = run(PROGRAM, "cohort", tmp_path, "--out", tmp_path / "t.csv")
    assert done.returncode == 2 and "part 3 is missing" in done.stderr, done.stderr


# ------------------------------------------------------------------------------- identity


NAMES = [
    ("ISO_IR 100", b"Buc^J\xe9r\xf4me", "Buc^Jérôme"),
    (["", "ISO 2022 IR 87"], b"Yamada^Tarou=\x1b$B;3ED\x1b(B^\x1b$BB@O:\x1b(B", "Yamada^Tarou=山田^太郎"),
    (["", "ISO 2022 IR 149"], b"Hong^Gildong=\x1b$)C\xfb\xf3^\x1b$)C\xd1\xce\xd4\xd7", "Hong^Gildong=洪^吉洞"),
    (["ISO 2022 IR 100", "ISO 2022 IR 126"], b"Dionysios=\x1b-F\xc4\xe9\xef\xed\xf5\xf3\xe9\xef\xf2", "Dionysios=Διονυσιος"),
    ("ISO_IR 192", "Wang^XiaoDong=王^小東".encode(), "Wang^XiaoDong=王^小東"),
]
SOURCE_UIDS = {"study": "1.2.3.4711.1", "series": "1.2.3.4711.2", "instance": "2.25.4711", "frame": "2.25.4714", "volume": "2.25.4713"}


def person(sets="ISO_IR 192", name=b"Doe^Jane"):
    def change(ds):
        ds.SpecificCharacterSet = sets
        ds[0x00100010] = pydicom.dataelem.RawDataElement(pydicom.tag.Tag(0x00100010), "PN", len(name), name, 0, False, True)
        ds.PatientID, ds.PatientBirthDate, ds.PatientSex, ds.PatientAge = "MRN-7", "19600203", "F", "066Y"
        ds.StudyInstanceUID, ds.SeriesInstanceUID = SOURCE_UIDS["study"], SOURCE_UIDS["series"]
        ds.StudyDate, ds.StudyTime, ds.AccessionNumber, ds.StudyDescription = "20260131", "093000", "ACC-9", "TEE"
        ds.AcquisitionDateTime, ds.ContentDate, ds.ContentTime = "20260131094211.5", "20260131", "094212"
        ds.Manufacturer, ds.ManufacturerModelName, ds.DeviceSerialNumber = "Maker", "Model 5", "SN-12345"
        ds.SoftwareVersions, ds.MechanicalIndex = "9.1", "1.1"
        ds.TransducerApplicationCodeSequence = code("125261", "DCM", "External Transducer")

    return change


def report(folder, path, *more):
    out = folder / "report"
    done = run(PROGRAM, "measure", path, "--out", out, *more)
    assert done.returncode in (0, 1), done.stderr
    return pydicom.dcmread(out / "report.sr.dcm")


@pytest.mark.parametrize("sets, raw, expected", NAMES)
def test_names_arrive_whole(tmp_path, sets, raw, expected):
    path = Scene().save(tmp_path / "theirs.dcm", person(sets, raw))
    assert str(pydicom.dcmread(path).PatientName) == expected, "as pydicom reads the source"
    sr = report(tmp_path, path, "--keep-identity")
    assert str(sr.PatientName) == expected and sr.SpecificCharacterSet == "ISO_IR 192"
    assert sr.StudyInstanceUID == SOURCE_UIDS["study"] and sr.PatientID == "MRN-7"
    assert "PatientIdentityRemoved" not in sr
    run(PROGRAM, "convert", path, tmp_path / "kept.dcm")
    assert str(pydicom.dcmread(tmp_path / "kept.dcm").PatientName) == expected


def test_without_identity_no_identifier_of_the_source_is_left(tmp_path):
    path = Scene().save(tmp_path / "Doe_Jane.dcm", person())
    sr = report(tmp_path, path, "--uid-map", tmp_path / "map.csv", "--label", "case 7")
    files = [file for file in (tmp_path / "report").rglob("*") if file.is_file()]
    assert len(files) > 5
    digest = json.loads(run(PROGRAM, "inspect", path, "--json", "-").stdout)["blake3"]
    for file in files:
        raw = file.read_bytes()
        for word in [*SOURCE_UIDS.values(), "MRN-7", "ACC-9", "20260131", "SN-12345", "Doe^", "Doe_", "Jane", digest, digest[:16]]:
            assert word.encode() not in raw, (file.name, word)
    assert sr.PatientID == "" and sr.PatientIdentityRemoved == "YES" and sr.StudyDate == ""
    replaced = dict(line.split(",") for line in (tmp_path / "map.csv").read_text().splitlines()[1:])
    assert set(replaced) == set(SOURCE_UIDS.values()) and not set(replaced.values()) & set(replaced)
    assert sr.StudyInstanceUID == replaced[SOURCE_UIDS["study"]]
    evidence = sr.CurrentRequestedProcedureEvidenceSequence[0]
    assert evidence.StudyInstanceUID == sr.StudyInstanceUID
    instance = evidence.ReferencedSeriesSequence[0].ReferencedSOPSequence[0].ReferencedSOPInstanceUID
    assert instance == replaced[SOURCE_UIDS["instance"]]
    # A volume relieved of its identity stays in the study of the report, and is referred to by its own reports.
    done = run(PROGRAM, "convert", path, tmp_path / "nobody.dcm", "--deidentify")
    assert done.returncode == 0 and not (tmp_path / "nobody.dcm.csv").exists()
    nobody = pydicom.dcmread(tmp_path / "nobody.dcm")
    assert nobody.SourceImageSequence[0].ReferencedSOPInstanceUID == instance
    assert nobody.StudyInstanceUID == sr.StudyInstanceUID
    again = report(tmp_path / "nobody", tmp_path / "nobody.dcm")
    evidence = again.CurrentRequestedProcedureEvidenceSequence[0]
    assert again.StudyInstanceUID == evidence.StudyInstanceUID == sr.StudyInstanceUID
    own = evidence.ReferencedSeriesSequence[0].ReferencedSOPSequence[0]
    assert own.ReferencedSOPInstanceUID == nobody.SOPInstanceUID and again.PatientIdentityRemoved == "YES"


def test_convert_keeps_patient_and_study_and_says_what_it_did(tmp_path):
    path = Scene().save(tmp_path / "theirs.dcm", person())
    assert run(PROGRAM, "convert", path, tmp_path / "kept.dcm").returncode == 0
    kept = pydicom.dcmread(tmp_path / "kept.dcm")
    assert (str(kept.PatientName), kept.PatientID, kept.PatientAge) == ("Doe^Jane", "MRN-7", "066Y")
    assert (kept.StudyInstanceUID, kept.StudyDate, kept.StudyDescription) == (SOURCE_UIDS["study"], "20260131", "TEE")
    assert kept.SOPInstanceUID != SOURCE_UIDS["instance"] and kept.SeriesInstanceUID != SOURCE_UIDS["series"]
    assert list(kept.ImageType)[0] == "DERIVED" and kept.AcquisitionDateTime == "20260131094211.5"
    assert (kept.Manufacturer, kept.DeviceSerialNumber, kept.MechanicalIndex) == ("Maker", "SN-12345", 1.1)
    assert kept.TransducerApplicationCodeSequence[0].CodeValue == "125261"
    worker = kept.ContributingEquipmentSequence[0]
    assert worker.Manufacturer == "narrows" and worker.PurposeOfReferenceCodeSequence[0].CodeValue == "109103"
    derivation = kept.SharedFunctionalGroupsSequence[0].DerivationImageSequence[0]
    assert derivation.SourceImageSequence[0].ReferencedSOPInstanceUID == SOURCE_UIDS["instance"]
    assert codes(tmp_path / "kept.dcm")[0]["gated_beats"] == 4
    assert kept.VolumeFrameOfReferenceUID == SOURCE_UIDS["volume"] and "PatientIdentityRemoved" not in kept
    assert verify(tmp_path / "kept.dcm")[0] == []

    run(PROGRAM, "convert", path, tmp_path / "nobody.dcm", "--deidentify")
    raw = (tmp_path / "nobody.dcm").read_bytes()
    for word in [*SOURCE_UIDS.values(), "MRN-7", "ACC-9", "20260131", "SN-12345", "Doe^", "19600203"]:
        assert word.encode() not in raw, word
    nobody = pydicom.dcmread(tmp_path / "nobody.dcm")
    assert nobody.PatientIdentityRemoved == "YES" and nobody.Manufacturer == "Maker"
    assert nobody.ContributingEquipmentSequence[0].PurposeOfReferenceCodeSequence[0].CodeValue == "109104"
    assert verify(tmp_path / "nobody.dcm")[0] == []
    assert np.array_equal(codes(tmp_path / "nobody.dcm")[1]["velocity"], codes(path)[1]["velocity"])

    done = run(PROGRAM, "convert", path, tmp_path / "x.nrrd")
    assert "patient and study" in done.stderr
    done = run(PROGRAM, "convert", path, tmp_path / "y.nrrd", "--deidentify")
    assert "patient and study" not in done.stderr
    # From a file that names nobody.
    assert run(PROGRAM, "convert", tmp_path / "x.nrrd", tmp_path / "z.dcm").returncode == 0
    anew = pydicom.dcmread(tmp_path / "z.dcm")
    assert list(anew.ImageType)[0] == "ORIGINAL" and anew.PatientID == "" and anew.Manufacturer == "narrows"
    assert verify(tmp_path / "z.dcm")[0] == []


def test_references_to_images_carry_frame_numbers(tmp_path):
    """Each frame that the report refers to is one of the velocity at a jet's peak."""
    recipe = tmp_path / "recipe.toml"
    recipe.write_text('name = "small"\n[grid]\nshape = [40, 40, 40]\n[beat]\nframes = 3\n')
    assert run(PROGRAM, "phantom", recipe, "-o", tmp_path / "x.dcm").returncode == 0
    sr = report(tmp_path, tmp_path / "x.dcm", "--keep-identity")
    results = json.loads((tmp_path / "report" / "results.json").read_text())
    peaks = {jet["peak_frame"] + 1 for jet in results["jets"]}
    assert peaks
    images = []

    def look(item):
        if item.get("ValueType") == "IMAGE":
            images.append(item.ReferencedSOPSequence[0])
        for below in item.get("ContentSequence", []):
            look(below)

    look(sr)
    source = pydicom.dcmread(tmp_path / "x.dcm", stop_before_pixels=True)
    assert [image.ReferencedSOPInstanceUID for image in images] == [source.SOPInstanceUID]
    groups = source.PerFrameFunctionalGroupsSequence
    wanted = [
        number
        for number, item in enumerate(groups, 1)
        if item.ImageDataTypeSequence[0].DataType == "FLOW_VELOCITY"
        and item.FrameContentSequence[0].DimensionIndexValues[0] in peaks
    ]
    assert list(images[0].ReferencedFrameNumber) == wanted
    assert verify(tmp_path / "report" / "report.sr.dcm")[0] == []


@pytest.mark.parametrize("sets", ["", "latin1", "ISO-IR 100", "ISO_IR_100", "iso_ir 100"])
def test_latin_names_arrive_whole_under_sets_that_are_missing_or_misspelt(tmp_path, sets):
    path = Scene().save(tmp_path / "theirs.dcm", person(sets, b"M\xfcller^J\xf6rg "))
    assert run(PROGRAM, "convert", path, tmp_path / "kept.dcm").returncode == 0
    assert str(pydicom.dcmread(tmp_path / "kept.dcm").PatientName) == "Müller^Jörg"
    told = [line for line in codes(path)[0]["assumed"] if "character set" in line]
    assert len(told) == (sets == "")


def also(*changes):
    """A patient, and what else is changed."""

    def change(ds):
        for one_of in (person(), *changes):
            one_of(ds)

    return change


def test_what_another_program_left_of_the_identity_goes(tmp_path):
    """Its identifiers may be the patient's; its statement is carried where nothing is asked, and never ours beside it."""

    def relieved(ds):
        ds.PatientIdentityRemoved, ds.PatientName, ds.PatientID = "YES", "ANON^1", "ANON-1"
        ds.DeidentificationMethod = "other tool"
        ds.DeidentificationMethodCodeSequence = code("113100", "DCM", "Basic Application Confidentiality Profile")

    path = Scene().save(tmp_path / "theirs.dcm", also(relieved))
    assert run(PROGRAM, "convert", path, tmp_path / "kept.dcm").returncode == 0
    kept = pydicom.dcmread(tmp_path / "kept.dcm")
    assert (kept.PatientID, kept.PatientIdentityRemoved, kept.DeidentificationMethod) == ("ANON-1", "YES", "other tool")
    assert kept.DeidentificationMethodCodeSequence[0].CodeValue == "113100"
    assert kept.StudyInstanceUID == SOURCE_UIDS["study"]
    assert verify(tmp_path / "kept.dcm")[0] == []

    assert run(PROGRAM, "convert", path, tmp_path / "nobody.dcm", "--deidentify").returncode == 0
    sr = report(tmp_path, path)
    nobody = pydicom.dcmread(tmp_path / "nobody.dcm")
    files = [tmp_path / "nobody.dcm", tmp_path / "report" / "report.sr.dcm", *(tmp_path / "report").rglob("*.sc.dcm")]
    for file in files:
        for word in [*SOURCE_UIDS.values(), "ANON", "other tool"]:
            assert word.encode() not in file.read_bytes(), (file.name, word)
    assert nobody.StudyInstanceUID == sr.StudyInstanceUID and nobody.PatientID == ""
    assert "UIDs replaced" in nobody.DeidentificationMethod[0]
    assert verify(tmp_path / "nobody.dcm")[0] == []
    # Ours are new already, and stay; in a study that is not ours any more they are replaced again.
    assert run(PROGRAM, "convert", tmp_path / "nobody.dcm", tmp_path / "again.dcm", "--deidentify").returncode == 0
    again = pydicom.dcmread(tmp_path / "again.dcm")
    for name in ["StudyInstanceUID", "FrameOfReferenceUID", "VolumeFrameOfReferenceUID", "DeidentificationMethod"]:
        assert again[name].value == nobody[name].value, name
    nobody.StudyInstanceUID = "1.2.3.4711.9"
    nobody.save_as(tmp_path / "moved.dcm")
    assert run(PROGRAM, "convert", tmp_path / "moved.dcm", tmp_path / "again.dcm", "--deidentify").returncode == 0
    assert pydicom.dcmread(tmp_path / "again.dcm").StudyInstanceUID.startswith("2.25.")


def test_warnings_of_names_and_faces_in_the_pixels_stay(tmp_path):
    def burnt(ds):
        ds.BurnedInAnnotation = ds.RecognizableVisualFeatures = "YES"

    path = Scene().save(tmp_path / "theirs.dcm", also(burnt))
    for more in [[], ["--deidentify"]]:
        assert run(PROGRAM, "convert", path, tmp_path / "out.dcm", *more).returncode == 0
        ds = pydicom.dcmread(tmp_path / "out.dcm")
        assert ds.BurnedInAnnotation == "YES" and ds.RecognizableVisualFeatures == "YES"
        # The standard has no such object; the source is none either.
        assert all("Burned In Annotation" in error for error in verify(tmp_path / "out.dcm")[0])
    run(PROGRAM, "convert", Scene().save(tmp_path / "plain.dcm"), tmp_path / "out.dcm")
    ds = pydicom.dcmread(tmp_path / "out.dcm")
    assert ds.BurnedInAnnotation == "NO" and "RecognizableVisualFeatures" not in ds


def test_free_text_does_not_pass_where_nobody_is_named(tmp_path):
    def talkative(ds):
        ds.TransducerScanPatternCodeSequence = code("1", "99X", "Doe^Jane scan")
        ds.TransducerGeometryCodeSequence = code("125252", "DCM", "Doe^Jane geometry")
        ds.ViewCodeSequence = code("MRN-7", "SCT", "Doe^Jane view")
        ds.PositionMeasuringDeviceUsed = ds.TransducerType = "DOE JANE"
        ds.SoftwareVersions, ds.ImageComments = "MRN-7", "Doe^Jane MRN-7"
        ds.LossyImageCompression, ds.LossyImageCompressionMethod = "01", "DOE_JANE"
        for item in ds.PerFrameFunctionalGroupsSequence:
            if item.ImageDataTypeSequence[0].DataType == "FLOW_POWER":
                item.RealWorldValueMappingSequence[0].MeasurementUnitsCodeSequence[0].CodeValue = "Doe^Jane"
            if item.ImageDataTypeSequence[0].DataType == "FLOW_VELOCITY":
                item.RealWorldValueMappingSequence = Sequence([linear(1, -90, "Doe^Jane")])

    words = [b"Doe^", b"DOE", b"MRN-7"]
    path = Scene().save(tmp_path / "theirs.dcm", also(talkative))
    given = ["--nyquist", "0.617"]
    assert run(PROGRAM, "convert", path, tmp_path / "out.dcm", "--deidentify", *given).returncode == 0
    raw = (tmp_path / "out.dcm").read_bytes()
    assert not [word for word in words if word in raw]
    ds = pydicom.dcmread(tmp_path / "out.dcm")
    assert (ds.Manufacturer, ds.ManufacturerModelName) == ("Maker", "Model 5")
    geometry = ds.TransducerGeometryCodeSequence[0]
    assert (geometry.CodeValue, geometry.CodeMeaning) == ("125252", "Linear ultrasound transducer geometry")
    assert ds.PositionMeasuringDeviceUsed == "RIGID" and "TransducerType" not in ds
    assert any("unit that is not known" in line for line in ds.ImageComments.splitlines())
    report(tmp_path, path, "--label", "case 7", *given)
    for file in (tmp_path / "report").rglob("*"):
        assert not file.is_file() or not [word for word in words if word in file.read_bytes()], file.name
    # With the patient, words stay.
    assert run(PROGRAM, "convert", path, tmp_path / "kept.dcm", *given).returncode == 0
    kept = pydicom.dcmread(tmp_path / "kept.dcm")
    assert kept.ViewCodeSequence[0].CodeMeaning == "Doe^Jane view" and kept.SoftwareVersions == "MRN-7"


def test_sentences_of_a_sidecar_do_not_pass_where_nobody_is_named(tmp_path):
    path = Scene().save(tmp_path / "theirs.dcm", person())
    assert run(PROGRAM, "convert", path, tmp_path / "x.nrrd").returncode == 0
    beside = tmp_path / "x.nrrd.narrows.json"
    said = json.loads(beside.read_text())
    said["assumed"] = ["Doe^Jane MRN-7"]
    said["lossy"] = {"method": "DOE_JANE", "velocity": {"known": "unknown"}}
    beside.write_text(json.dumps(said))
    # Also on the way over a file that keeps them.
    assert run(PROGRAM, "convert", tmp_path / "x.nrrd", tmp_path / "kept.dcm").returncode == 0
    assert "Doe^Jane MRN-7" in codes(tmp_path / "kept.dcm")[0]["assumed"]
    for source in ["x.nrrd", "kept.dcm"]:
        for out in ["out.dcm", "out.nrrd"]:
            assert run(PROGRAM, "convert", tmp_path / source, tmp_path / out, "--deidentify").returncode == 0
        report(tmp_path, tmp_path / source, "--label", "case 7")
        for file in [*tmp_path.glob("out.*"), *(tmp_path / "report").rglob("*")]:
            raw = file.read_bytes() if file.is_file() else b""
            assert b"Doe^" not in raw and b"DOE_" not in raw and b"MRN-7" not in raw, (source, file.name)
        assert any("may name somebody: 1" in line for line in codes(tmp_path / "out.dcm")[0]["assumed"])


def test_every_channel_is_carried_or_named(tmp_path):
    def strange(ds):
        for item in ds.PerFrameFunctionalGroupsSequence:
            if item.ImageDataTypeSequence[0].DataType == "FLOW_POWER":
                item.ImageDataTypeSequence[0].DataType = "ELASTICITY"

    done = run(PROGRAM, "convert", Scene().save(tmp_path / "theirs.dcm", strange), tmp_path / "out.dcm")
    assert "note: not carried over: frames of data type ELASTICITY" in done.stderr


def test_free_text_after_our_own_words_is_not_ours(tmp_path):
    scene = Scene()
    for comment in ["Assumed on conversion: Doe^Jane", "Assumed on conversion: 0123456789abcdef\r\nDoe^Jane"]:
        path = scene.save(tmp_path / "theirs.dcm", lambda ds: setattr(ds, "ImageComments", comment))
        assert not any("Doe" in line for line in codes(path)[0]["assumed"])
    # Our own travel on.
    scene.context = False
    path = scene.save(tmp_path / "theirs.dcm")
    run(PROGRAM, "convert", path, tmp_path / "ours.dcm")
    assert any("cycle of the velocity codes" in line for line in codes(tmp_path / "ours.dcm")[0]["assumed"])
    ds = pydicom.dcmread(tmp_path / "ours.dcm")
    ds.ImageComments = ds.ImageComments.replace("cycle", "Doe^Jane")
    ds.save_as(tmp_path / "edited.dcm")
    assert not any("Doe" in line for line in codes(tmp_path / "edited.dcm")[0]["assumed"])
