"""The same cut in general-purpose libraries, one thread, beside ours.

Usage: peers.py CRITERION_FOLDER

Reads what `cargo bench --bench cut` measured, times scipy.ndimage.map_coordinates, SimpleITK's
resampler and VTK's reslicer on a cut of the same size through a volume of the same size, and prints
one table. The best of several runs counts, since others may use the machine.
"""

import json
import pathlib
import sys
import time

import numpy as np

SIDE, PIXELS = 256, 512
NORMAL = np.array([0.35, -0.5, 0.79]) / np.linalg.norm([0.35, -0.5, 0.79])
TOWARD = np.array([1.0, 0.2, 0.1])
U = TOWARD - NORMAL * (NORMAL @ TOWARD)
U /= np.linalg.norm(U)
V = np.cross(NORMAL, U)
STEP = 170.0 / PIXELS
START = (SIDE - 1) / 2 - (U + V) * STEP * (PIXELS - 1) / 2


def best(work, runs=9):
    least = float("inf")
    for _ in range(runs):
        start = time.perf_counter()
        work()
        least = min(least, time.perf_counter() - start)
    return 1e9 * least / PIXELS**2


def scipy_cut(codes):
    from scipy import ndimage

    grid = np.arange(PIXELS) * STEP
    place = START[:, None, None] + U[:, None, None] * grid + V[:, None, None] * grid[:, None]
    place = np.ascontiguousarray(place[::-1])
    out = np.empty((PIXELS, PIXELS))
    cut = lambda: ndimage.map_coordinates(codes, place, output=out, order=1)
    cut()
    return best(cut), out


def simpleitk_cut(codes):
    import SimpleITK as sitk

    sitk.ProcessObject.SetGlobalDefaultNumberOfThreads(1)
    image = sitk.GetImageFromArray(codes)
    resample = sitk.ResampleImageFilter()
    resample.SetSize([PIXELS, PIXELS, 1])
    resample.SetOutputSpacing([STEP, STEP, 1.0])
    resample.SetOutputOrigin(START.tolist())
    resample.SetOutputDirection(np.stack([U, V, NORMAL], axis=1).ravel().tolist())
    resample.SetInterpolator(sitk.sitkLinear)
    resample.SetOutputPixelType(sitk.sitkFloat64)
    resample.SetNumberOfThreads(1)
    cut = lambda: resample.Execute(image)
    return best(cut), sitk.GetArrayFromImage(cut())[0]


def vtk_cut(codes):
    import vtk
    from vtk.util import numpy_support

    vtk.vtkSMPTools.Initialize(1)
    image = vtk.vtkImageData()
    image.SetDimensions(SIDE, SIDE, SIDE)
    image.GetPointData().SetScalars(numpy_support.numpy_to_vtk(codes.ravel()))
    reslice = vtk.vtkImageReslice()
    reslice.SetInputData(image)
    reslice.SetOutputDimensionality(2)
    reslice.SetResliceAxesDirectionCosines(*U, *V, *NORMAL)
    reslice.SetResliceAxesOrigin(*START)
    reslice.SetOutputOrigin(0, 0, 0)
    reslice.SetOutputSpacing(STEP, STEP, 1)
    reslice.SetOutputExtent(0, PIXELS - 1, 0, PIXELS - 1, 0, 0)
    reslice.SetOutputScalarType(vtk.VTK_DOUBLE)
    reslice.SetInterpolationModeToLinear()
    reslice.SetNumberOfThreads(1)

    def cut():
        reslice.Modified()
        reslice.Update()
        return reslice.GetOutput()

    values = numpy_support.vtk_to_numpy(cut().GetPointData().GetScalars())
    return best(cut), values.reshape(PIXELS, PIXELS)


def main():
    home = pathlib.Path(sys.argv[1])
    ours = {}
    for name in ("tissue", "velocity", "flow", "tissue_anew"):
        for bits in (8, 16):
            folder = home / f"cut{bits}" / name / "new"
            sample = json.loads((folder / "sample.json").read_text())
            least = min(t / n for t, n in zip(sample["times"], sample["iters"]))
            middle = json.loads((folder / "estimates.json").read_text())["median"]["point_estimate"]
            ours[name, bits] = (least / PIXELS**2, middle / PIXELS**2)
    codes = np.random.default_rng(1).integers(0, 256, (SIDE, SIDE, SIDE), dtype=np.uint8)
    print(f"cut of {PIXELS} x {PIXELS} through {SIDE}^3, one thread; ns a sample, best (median)")
    for (name, bits), (least, middle) in ours.items():
        print(f"  narrows {name:12} {bits:2} bit   {least:7.2f}  ({middle:.2f})")
    tissue, velocity = ours["tissue", 8][0], ours["velocity", 8][0]
    reference = None
    for name, cut in (
        ("scipy map_coordinates", scipy_cut),
        ("SimpleITK resample", simpleitk_cut),
        ("VTK reslice", vtk_cut),
    ):
        try:
            least, values = cut(codes)
        except ImportError as missing:
            print(f"  {name:24} not here: {missing}")
            continue
        # They must do the same work to be compared.
        if reference is None:
            reference = values
        apart = np.abs(values - reference).max()
        print(
            f"  {name:24} {least:7.2f}   {least / tissue:5.1f} x our tissue, {least / velocity:5.1f} x our"
            f" phase-safe velocity   (differs from scipy by {apart:.1e})"
        )


if __name__ == "__main__":
    main()
