"""The printed parts as solids: rendered by OpenSCAD, measured with trimesh and manifold3d."""

import shutil
import subprocess
from pathlib import Path

import manifold3d
import numpy as np
import trimesh
from tables import HERE

SOURCE = HERE / "mount" / "mount.scad"
STEEPEST_DEG = 45.0  # a wall that leans further out over nothing sags (common practice for molten plastic)
_ROUNDING_DEG = 0.5


def openscad() -> str | None:
    """Return the path of the program, or None where it is not installed."""
    return shutil.which("openscad")


def render(part: str, folder: Path, **sizes: float) -> Path:
    """Write one part as STL and return its path; `sizes` override the source's numbers."""
    target = folder / f"{part}.stl"
    defines = [f'part="{part}"', *(f"{name}={value}" for name, value in sizes.items())]
    command = [
        openscad() or "openscad",
        "-q",
        *(word for define in defines for word in ("-D", define)),
        "-o",
        str(target),
        str(SOURCE),
    ]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(f"OpenSCAD could not render {part}: {done.stderr.strip()}")
    return target


def load(path: Path) -> trimesh.Trimesh:
    """Return the solid of one STL file, millimetres."""
    return trimesh.load_mesh(path)


def overhang_mm2(solid: trimesh.Trimesh) -> float:
    """Return the area of faces off the bed that look down more than the steepest lean allows."""
    down = -solid.face_normals[:, 2] > np.sin(np.radians(STEEPEST_DEG + _ROUNDING_DEG))
    above_bed = solid.triangles[:, :, 2].max(axis=1) > solid.bounds[0, 2] + 1e-3
    return float(solid.area_faces[down & above_bed].sum())


def overlap_mm3(solid: trimesh.Trimesh, thing: trimesh.Trimesh) -> float:
    """Return the volume that two solids would share: above zero, the thing does not fit."""
    return float((_exact(solid) ^ _exact(thing)).volume())  # may be a bare touch, without volume


def _exact(solid: trimesh.Trimesh) -> manifold3d.Manifold:
    return manifold3d.Manifold(manifold3d.Mesh(np.asarray(solid.vertices, np.float32), np.asarray(solid.faces, np.uint32)))
