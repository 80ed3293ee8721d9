"""The report as other programs see it: the structured report, the pictures, the PDF, the tables.

* `dciodvfy` (dicom3tools) finds no error in any DICOM file of a report.
* `dsrdump` (dcmtk) prints the structured report; highdicom and pydicom read its numbers and its
  polygon back and they are those of `results.json`.
* pypdf opens the PDF; its text holds the numbers; its font is embedded; its pages have their size.

NARROWS_BIN names the program.
"""

import csv
import json
import os
import pathlib
import re
import shutil
import subprocess
import sys

import highdicom
import numpy as np
import pydicom
import pypdf
import pytest
from pydicom.sr.codedict import codes

ROOT = pathlib.Path(__file__).resolve().parents[2]
BIN = pathlib.Path(os.environ.get("NARROWS_BIN", ROOT / "target" / "debug" / "narrows")).resolve()
DCIODVFY = pathlib.Path(sys.executable).parent / "dciodvfy"
SAMPLE = ROOT / "sample-volumes" / "two-jets.dcm"
COMPREHENSIVE_3D_SR = "1.2.840.10008.5.1.4.1.1.88.34"
SECONDARY_CAPTURE = "1.2.840.10008.5.1.4.1.1.7"


def run(*words):
    return subprocess.run([str(word) for word in words], capture_output=True, text=True, timeout=300)


def measure(*words):
    done = run(BIN, "measure", *words)
    assert done.returncode in (0, 1), done.stderr
    return done


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    """The sample, with a patient and a study that must not come out again."""
    path = tmp_path_factory.mktemp("source") / "two-jets.dcm"
    ds = pydicom.dcmread(SAMPLE)
    ds.PatientName, ds.PatientID, ds.PatientBirthDate = "Nemo^Never^Told", "ID-SECRET-7", "19700102"
    ds.AccessionNumber, ds.StudyID, ds.ReferringPhysicianName = "ACC-SECRET", "ST-SECRET", "Sender^Of"
    ds.StudyDate, ds.StudyTime = "20240203", "040506"
    ds.save_as(path)
    return path


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    path = tmp_path_factory.mktemp("small") / "small.dcm"
    done = run(BIN, "phantom", ROOT / "tests" / "viewer" / "small.toml", "-o", path)
    assert done.returncode == 0, done.stderr
    return path


@pytest.fixture(scope="module")
def report(source, tmp_path_factory):
    folder = tmp_path_factory.mktemp("report") / "report"
    measure(source, "--out", folder, "--reader", "Ada Reader", "--valve", "mitral", "--cw-peak", "5")
    return folder


@pytest.fixture(scope="module")
def results(report):
    return json.loads((report / "results.json").read_text())


@pytest.fixture(scope="module")
def sr(report):
    return pydicom.dcmread(report / "report.sr.dcm")


def errors(path):
    said = run(DCIODVFY, path).stderr
    return [line for line in said.splitlines() if line.startswith("Error")]


def test_no_dicom_file_of_a_report_has_an_error(report, results):
    files = sorted(report.glob("*.dcm"))
    assert len(files) == 1 + 2 * len(results["jets"]) and len(results["jets"]) == 2
    for path in files:
        assert errors(path) == [], path


def test_dciodvfy_would_notice(report, tmp_path):
    ds = pydicom.dcmread(report / "report.sr.dcm")
    del ds.CompletionFlag
    ds.save_as(tmp_path / "damaged.dcm")
    assert errors(tmp_path / "damaged.dcm")


def test_dsrdump_prints_the_tree(report, results):
    dsrdump = shutil.which("dsrdump")
    assert dsrdump, "dsrdump is missing: install the Debian package dcmtk"
    done = run(dsrdump, report / "report.sr.dcm")
    assert done.returncode == 0 and "error" not in done.stderr.lower(), done.stderr
    assert done.stdout.count("SCOORD3D") == len(results["jets"])
    for words in ("Imaging Measurement Report", "Mitral regurgitation vena contracta width", "Planimetry"):
        assert words in done.stdout
    area = results["jets"][0]["vca_mm2"]["value"]
    assert f"{area:.4f}"[:-1] in done.stdout


def name(item):
    code = item.ConceptNameCodeSequence[0]
    return code.CodeValue, code.CodingSchemeDesignator


def below(item, kind=None, code=None):
    return [
        child
        for child in item.get("ContentSequence", [])
        if (kind is None or child.ValueType == kind) and (code is None or name(child) == code)
    ]


def groups(sr):
    container = below(sr, "CONTAINER", ("126010", "DCM"))[0]
    return below(container, "CONTAINER", ("125007", "DCM"))


def values(item):
    """`(value, low, high)` of a NUM with the ends of its interval."""
    value = item.MeasuredValueSequence[0].FloatingPointValue
    ends = {name(child)[0]: child.MeasuredValueSequence[0].FloatingPointValue for child in below(item, "NUM")}
    units = {child.MeasuredValueSequence[0].MeasurementUnitsCodeSequence[0].CodeValue for child in below(item, "NUM")}
    assert units <= {item.MeasuredValueSequence[0].MeasurementUnitsCodeSequence[0].CodeValue}
    if not ends:
        return value, None, None
    return value, value - ends["371885007"], value + ends["371886008"]


def modified(item, concept, value):
    return any(name(child)[0] == concept and child.ConceptCodeSequence[0].CodeValue == value for child in below(item, "CODE"))


def close(triple, interval):
    wanted = (interval["value"], interval["low"], interval["high"])
    return np.allclose(triple, wanted, rtol=0, atol=1e-9)


def test_every_number_comes_back(sr, results):
    assert sr.SOPClassUID == COMPREHENSIVE_3D_SR
    jets = groups(sr)[:-1]
    assert len(jets) == len(results["jets"])
    for group, jet in zip(jets, results["jets"]):
        areas = below(group, "NUM", ("42798000", "SCT"))
        assert all(modified(area, "370129005", "125220") and modified(area, "363698007", "443501007") for area in areas)
        (corrected,) = [area for area in areas if modified(area, "121401", "corrected")]
        (displayed,) = [area for area in areas if modified(area, "121401", "displayed")]
        (mean,) = [area for area in areas if modified(area, "121401", "systolic-mean")]
        assert close(values(corrected), jet["vca_mm2"])
        assert values(displayed)[0] == jet["traced_area_mm2"] and values(displayed)[1] is None
        assert values(mean)[0] == jet["systole"]["mean_vca_mm2"]
        widths = below(group, "NUM", ("80061-5", "LN"))
        (long_axis,) = [width for width in widths if modified(width, "111031", "long-axis")]
        (commissural,) = [width for width in widths if modified(width, "111031", "commissural")]
        assert close(values(long_axis), jet["width_mm"]["long_axis"])
        assert close(values(commissural), jet["width_mm"]["commissural"])
        flow, orifice = below(group, "NUM", ("80057-3", "LN")), below(group, "NUM", ("80071-4", "LN"))
        zone = jet["convergence"]
        for items, wanted in ((flow, zone["flow_ml_s"]), (orifice, zone["eroa_mm2"])):
            assert len(items) == (wanted is not None)
            assert all(close(values(item), wanted) and modified(item, "370129005", "125216") for item in items)
    whole = groups(sr)[-1]
    assert close(values(below(whole, "NUM", ("42798000", "SCT"))[0]), results["total"]["vca_mm2"])
    (volume,) = below(whole, "NUM", ("118565006", "SCT"))
    assert close(values(volume), results["total"]["regurgitant_volume_ml"])
    assert modified(volume, "260674002", "312004007")
    comments = [item.TextValue for item in below(whole, "TEXT", ("121106", "DCM"))]
    assert set(results["cautions"]) <= set(comments)


def test_the_decimal_string_is_as_near_as_it_can_be(sr):
    for group in groups(sr):
        for item in below(group, "NUM"):
            measured = item.MeasuredValueSequence[0]
            assert float(measured.NumericValue) == pytest.approx(measured.FloatingPointValue, rel=1e-10)


def test_highdicom_reads_numbers_and_polygon(report, results, source):
    sr = highdicom.sr.srread(report / "report.sr.dcm")
    assert isinstance(sr, highdicom.sr.Comprehensive3DSR)
    of_source = pydicom.dcmread(source, stop_before_pixels=True)
    groups = sr.content.get_planar_roi_measurement_groups()
    assert len(groups) == len(results["jets"])
    for group, jet in zip(groups, results["jets"]):
        assert group.tracking_identifier == f"jet {jet['id']}"
        assert group.finding_type == codes.SCT.MitralRegurgitation
        areas = group.get_measurements(name=codes.SCT.Area)
        corrected = [area for area in areas if area.derivation.value == "corrected"]
        assert corrected[0].value == pytest.approx(jet["vca_mm2"]["value"], abs=1e-9)
        assert corrected[0].unit == codes.UCUM.SquareMillimeter and corrected[0].method.value == "125220"
        assert [site.topographical_modifier for site in corrected[0].finding_sites] == [None]
        roi = group.roi
        assert roi.graphic_type == highdicom.sr.GraphicTypeValues3D.POLYGON
        # A new one: nobody is named by it.
        assert roi.frame_of_reference_uid not in ('', of_source.VolumeFrameOfReferenceUID)
        points = np.asarray(roi.value)
        wanted = np.array(jet["tracing_mm"])
        assert (points[0] == points[-1]).all()
        np.testing.assert_allclose(points[:-1], wanted, atol=1e-4)
        # Coplanar, as the standard asks of a polygon, and of the area that was displayed.
        flat = points[:-1] - points[:-1].mean(axis=0)
        u, v, normal = np.linalg.svd(flat)[2]
        assert np.abs(flat @ normal).max() < 1e-3
        x, y = flat @ u, flat @ v
        area = 0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))
        assert area == pytest.approx(jet["traced_area_mm2"], rel=1e-4)


def test_the_source_is_named_and_the_patient_is_not(report, source):
    of_source = pydicom.dcmread(source, stop_before_pixels=True)
    for path in sorted(report.glob("*.dcm")):
        ds = pydicom.dcmread(path)
        assert ds.PatientIdentityRemoved == "YES" and ds.StudyInstanceUID != of_source.StudyInstanceUID
        assert not ds.PatientName and not ds.PatientID and not ds.StudyDate
        raw = path.read_bytes()
        for secret in (b"Nemo", b"SECRET", b"Sender", b"1970", b"2024"):
            assert secret not in raw, (path, secret)
    sr = pydicom.dcmread(report / "report.sr.dcm")
    referenced = sr.CurrentRequestedProcedureEvidenceSequence[0].ReferencedSeriesSequence[0]
    assert referenced.SeriesInstanceUID != of_source.SeriesInstanceUID
    image = referenced.ReferencedSOPSequence[0].ReferencedSOPInstanceUID
    assert image != of_source.SOPInstanceUID
    library = below(below(sr, "CONTAINER", ("111028", "DCM"))[0])[0]
    assert below(library, "IMAGE")[0].ReferencedSOPSequence[0].ReferencedSOPInstanceUID == image
    observers = [item.PersonName for item in below(sr, "PNAME")]
    assert observers == ["Reader^Ada"]
    for other in ("index.html", "report.pdf", "results.json", "jets.csv"):
        assert b"SECRET" not in (report / other).read_bytes()


def test_the_identity_is_kept_where_that_is_asked_for(source, tmp_path):
    path = tmp_path / "kept.sr.dcm"
    measure(source, "--sr", path, "--keep-identity", "--json", tmp_path / "r.json")
    ds = pydicom.dcmread(path)
    assert ds.PatientName == "Nemo^Never^Told" and ds.PatientID == "ID-SECRET-7" and ds.StudyDate == "20240203"
    assert "PatientIdentityRemoved" not in ds
    assert errors(path) == []
    assert sorted(p.name for p in tmp_path.iterdir()) == ["kept.sr.dcm", "r.json"]


def test_pictures_hold_the_pixels_of_the_figures(report, results):
    for jet in results["jets"]:
        for view in ("en-face", "long-axis"):
            ds = pydicom.dcmread(report / f"jet-{jet['id']}-{view}.sc.dcm")
            assert ds.SOPClassUID == SECONDARY_CAPTURE and ds.PhotometricInterpretation == "RGB"
            pixels = ds.pixel_array
            assert pixels.shape == (780, 1200, 3) and pixels[0, 0].tolist() == [255, 255, 255]
            # The orange of the tracing is on the picture.
            orange = np.abs(pixels.astype(int) - [230, 159, 0]).sum(axis=2) < 12
            assert orange.sum() > 200


def text_of(path):
    reader = pypdf.PdfReader(path)
    return reader, [re.sub(r"\s+", " ", page.extract_text()) for page in reader.pages]


def one_decimal(value):
    return f"{value:.1f}"


def test_the_pdf_says_what_was_found(report, results):
    reader, pages = text_of(report / "report.pdf")
    assert 4 <= len(pages) <= 7, "page one and at most six more"
    first = pages[0]
    total = results["total"]["vca_mm2"]
    assert f"{total['value'] / 100:.2f} cm²" in first
    assert f"{total['low'] / 100:.2f}" in first and f"{total['high'] / 100:.2f}" in first
    assert f"Trust check: {results['trust']['verdict']}" in first and "Not a medical device" in first
    assert "read by Ada Reader" in first and results["source"]["blake3"][:16] in first
    rest = " ".join(pages[1:])
    # (The tracings of the other jets are in the folder, as the paper says.)
    assert f"{results['jets'][0]['traced_area_mm2'] / 100:.2f}" in rest
    for jet in results["jets"]:
        assert f"{jet['vca_mm2']['value'] / 100:.2f}" in rest
        for frame in jet["frames"]:
            if frame["vca_mm2"]:
                vca = frame["vca_mm2"]
                assert f"{vca['value'] / 100:.2f}" in rest
    for words in (results["source"]["blake3"], "numerical method", "CW peak velocity, given 5 m/s", "Ada Reader"):
        assert words in rest
    assert f"page {len(pages)} of {len(pages)}" in pages[-1]


def test_the_font_of_the_pdf_is_embedded(report):
    reader, _ = text_of(report / "report.pdf")
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():
            descendant = font.get_object()["/DescendantFonts"][0].get_object()
            descriptor = descendant["/FontDescriptor"].get_object()
            assert "Ubuntu" in descriptor["/FontName"]
            assert "/FontFile2" in descriptor or "/FontFile3" in descriptor


@pytest.mark.parametrize("paper, size", [("a4", (595, 842)), ("letter", (612, 792))])
def test_paper_and_units_can_be_chosen(small, tmp_path, paper, size):
    """The same numbers in square centimetres, in PDF, page and tables; the JSON stays in mm2."""
    folder = tmp_path / "report"
    sample = small
    measure(sample, "--out", folder, "--paper", paper, "--units", "cm2", "--label", "volume 12")
    results = json.loads((folder / "results.json").read_text())
    assert results["source"]["file"] == "volume 12"
    area = results["jets"][0]["vca_mm2"]["value"]
    reader, pages = text_of(folder / "report.pdf")
    box = reader.pages[0].mediabox
    assert (round(float(box.width)), round(float(box.height))) == size
    assert f"{area / 100:.2f} cm²" in pages[0] and "volume 12" in pages[0]
    assert f"{area / 100:.2f} cm²" in (folder / "index.html").read_text()
    (row,) = csv.DictReader((folder / "jets.csv").open())
    assert float(row["vca_cm2"]) == pytest.approx(area / 100)
    assert float(row["circle_area_cm2"]) == pytest.approx(results["jets"][0]["circle_area_mm2"] / 100)
    assert not any("mm2" in column for column in row)
    assert b"small.dcm" not in (folder / "report.pdf").read_bytes()


def test_the_same_volume_gives_the_same_bytes(small, tmp_path):
    sample = small
    made = []
    for threads in ("1", "3"):
        folder = tmp_path / threads
        done = subprocess.run(
            [BIN, "measure", sample, "--out", folder],
            env={**os.environ, "RAYON_NUM_THREADS": threads},
            capture_output=True,
            timeout=300,
        )
        assert done.returncode in (0, 1), done.stderr
        made.append({p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()})
    assert made[0].keys() == made[1].keys() and len(made[0]) == 10
    assert made[0] == made[1]
