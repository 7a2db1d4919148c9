"""Reads samples and checks that 1 + M + B is captured / ideal. Needs numpy and OpenCV (opencv-python-headless)."""
import json
import os
import pathlib
import sys

os.environ["OPENCV_IO_ENABLE_OPENEXR"] = "1"
import cv2
import numpy as np


def picture(path):
    """Rows x columns x (red, green, blue), or rows x columns, as floats; integers count from 0 to 1."""
    found = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if found is None:
        raise SystemExit(f"{path} cannot be read")
    if found.ndim == 3:
        found = found[:, :, ::-1]
    if found.dtype.kind == "u":
        return found / float(np.iinfo(found.dtype).max)
    return found.astype(float)


def signed(folder, name, truth):
    """A map of signed numbers; nan where none is given."""
    path = next(folder.glob(f"{name}.*"))
    words = truth["files"][path.name]
    if "scale" not in words:
        return picture(path)
    codes = np.round(picture(path) * 65535)
    return np.where(codes == 0, np.nan, words["offset"] + words["scale"] * codes)


root = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else ".")
for line in (root / "manifest.jsonl").read_text().splitlines():
    entry = json.loads(line)
    if "skipped" in entry:
        continue
    folder = root / entry["folder"]
    truth = json.loads((folder / "truth.json").read_text())
    captured = list(folder.glob("captured_noise_free_linear.*"))
    ideal = list(folder.glob("ideal_noise_free_linear.*"))
    words = ""
    if captured and ideal and list(folder.glob("moire.*")) and list(folder.glob("bands.*")):
        captured, ideal = picture(captured[0]), picture(ideal[0])
        both = 1 + signed(folder, "moire", truth) + signed(folder, "bands", truth)
        # Whole numbers end at 0 and at 1.
        given = np.isfinite(both) & (ideal > 0) & (captured > 0) & (captured < 1)
        if given.any():
            off = np.abs(both - captured / np.where(ideal > 0, ideal, 1))[given].max()
            words = f", 1 + M + B off by {off:.1e}"
    print(f"{entry['sample']}: {entry['split']}, {entry['verdict']}, {len(entry['files'])} files{words}")
