"""Rendering descriptions of scenes with Blender's Cycles: ``python -m vision.training.outsider.blender A.npz ...``.

Needs ``bpy`` and numpy, and nothing else of the project's requirements; `vision.training.outsider.make` starts it with
the interpreter that has them.  Beside each A.npz the linear picture is written as A.npy (H, W, 3), or A.txt that says
why not.
"""

from __future__ import annotations

import argparse
import importlib
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from calibration.arrays import Array
from vision.training.outsider.pieces import Camera, Description, Lamp, Made, Piece, Strands

SEEN_SHARE = 0.99
"""Of places on the sheets, those at least that must be seen."""
INTO = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])
"""From our axes (right, up, out of the wall) into Blender's (right, into the wall, up)."""


class Studio:
    """One scene in Blender."""

    def __init__(self) -> None:
        self.bpy: Any = importlib.import_module("bpy")
        self.bpy.ops.wm.read_factory_settings(use_empty=True)
        self.scene = self.bpy.context.scene
        self.made: dict[str, Any] = {}
        self.pictures = Path(self.bpy.utils.resource_path("LOCAL")) / "datafiles/studiolights/world"

    def add(self, piece: Piece) -> None:
        """Put a mesh into the scene."""
        mesh = self.bpy.data.meshes.new(piece.name or "piece")
        points, faces = piece.points @ INTO.T, piece.faces
        mesh.vertices.add(len(points))
        mesh.vertices.foreach_set("co", points.astype(np.float32).ravel())
        mesh.loops.add(faces.size)
        mesh.loops.foreach_set("vertex_index", faces.astype(np.int32).ravel())
        mesh.polygons.add(len(faces))
        mesh.polygons.foreach_set("loop_start", np.arange(0, faces.size, 3, dtype=np.int32))
        mesh.update(calc_edges=True)
        mesh.polygons.foreach_set("use_smooth", np.full(len(faces), piece.smooth))
        if piece.uv is not None:
            layer = mesh.uv_layers.new(name="UVMap")
            layer.data.foreach_set("uv", piece.uv.astype(np.float32).ravel())
        if piece.shades is not None:
            layer = mesh.attributes.new("shade", "FLOAT", "POINT")
            layer.data.foreach_set("value", piece.shades.astype(np.float32))
        mesh.validate()
        thing = self.bpy.data.objects.new(piece.name or "piece", mesh)
        self.scene.collection.objects.link(thing)
        mesh.materials.append(self._material(piece.made))
        if piece.edge:
            bevel = thing.modifiers.new("edge", "BEVEL")
            bevel.width, bevel.segments = piece.edge, 2
        if piece.divided:
            divide = thing.modifiers.new("divided", "SUBSURF")
            divide.levels = divide.render_levels = piece.divided
        if piece.thick:
            solid = thing.modifiers.new("thick", "SOLIDIFY")
            solid.thickness, solid.offset = piece.thick, -1.0

    def grow(self, hair: Strands) -> None:
        """Put hair into the scene."""
        curves = self.bpy.data.hair_curves.new("hair")
        count, places = hair.places.shape[:2]
        curves.add_curves([places] * count)
        curves.points.foreach_set("position", (hair.places @ INTO.T).astype(np.float32).ravel())
        taper = hair.radius * np.linspace(1.0, 0.45, places)
        curves.points.foreach_set("radius", np.tile(taper, count).astype(np.float32))
        thing = self.bpy.data.objects.new("hair", curves)
        self.scene.collection.objects.link(thing)
        curves.materials.append(self._material(hair.made))

    def light(self, lamp: Lamp) -> None:
        """Put a lamp into the scene."""
        kind = {"area": "AREA", "point": "POINT", "sun": "SUN", "spot": "SPOT"}[lamp.kind]
        data = self.bpy.data.lights.new("lamp", kind)
        data.energy, data.color = lamp.power, lamp.colour
        if kind == "AREA":
            data.shape, data.size, data.size_y = "RECTANGLE", *lamp.size
        elif kind == "SUN":
            data.angle = lamp.size[0]
        else:
            data.shadow_soft_size = lamp.size[0]
        thing = self.bpy.data.objects.new("lamp", data)
        self.scene.collection.objects.link(thing)
        back = lamp.place - lamp.towards
        thing.matrix_world = self._standing(lamp.place, _rows(back))

    def surround(self, around: tuple[str, float, float]) -> None:
        """Light from all round."""
        name, strength, turn = around
        world = self.bpy.data.worlds.new("world")
        self.scene.world = world
        world.use_nodes = True
        tree = world.node_tree
        place, mapping = tree.nodes.new("ShaderNodeTexCoord"), tree.nodes.new("ShaderNodeMapping")
        picture = tree.nodes.new("ShaderNodeTexEnvironment")
        picture.image = self.bpy.data.images.load(str(self.pictures / f"{name}.exr"), check_existing=True)
        mapping.inputs["Rotation"].default_value[2] = turn
        tree.links.new(place.outputs["Generated"], mapping.inputs["Vector"])
        tree.links.new(mapping.outputs["Vector"], picture.inputs["Vector"])
        ground = tree.nodes["Background"]
        tree.links.new(picture.outputs["Color"], ground.inputs["Color"])
        ground.inputs["Strength"].default_value = strength

    def look(self, view: Camera) -> None:
        """Set the camera."""
        data = self.bpy.data.cameras.new("camera")
        thing = self.bpy.data.objects.new("camera", data)
        self.scene.collection.objects.link(thing)
        wide, high = view.size
        data.sensor_fit, data.sensor_width = "HORIZONTAL", 36.0
        data.lens = 36.0 * view.focal / wide
        data.shift_x = -(view.centre[0] - (wide - 1) / 2) / wide
        data.shift_y = (view.centre[1] - (high - 1) / 2) / wide
        data.clip_start, data.clip_end = 0.02, 100.0
        thing.matrix_world = self._standing(view.place, np.stack([view.rows[0], -view.rows[1], -view.rows[2]]))
        self.scene.camera = thing

    def hits(self, view: Camera, points: Array, name: str) -> Array:
        """Whether each point (N, 3) of a named thing is seen from the camera."""
        graph = self.bpy.context.evaluated_depsgraph_get()
        start = INTO @ view.place
        out = []
        for point in points @ INTO.T:
            way = point - start
            far = float(np.linalg.norm(way))
            hit, place, _, _, thing, _ = self.scene.ray_cast(graph, start.tolist(), (way / far).tolist())
            near = hit and abs(float(np.linalg.norm(np.array(place) - start)) - far) < 0.003
            out.append(bool(near and thing.name.startswith(name)))
        return np.array(out)

    def rendered(self, view: Camera, samples: int, threads: int, seed: int, card: bool) -> Array:
        """The linear picture (H, W, 3)."""
        scene = self.scene
        scene.render.engine = "CYCLES"
        scene.cycles.device = "CPU"
        if card:
            wanted = self.bpy.context.preferences.addons["cycles"].preferences
            wanted.compute_device_type = "CUDA"
            wanted.get_devices()
            for device in wanted.devices:
                device.use = device.type == "CUDA"
            scene.cycles.device, scene.cycles.denoising_use_gpu = "GPU", True
        scene.cycles.samples = samples
        scene.cycles.use_adaptive_sampling = False
        scene.cycles.seed = seed % 2**31
        scene.cycles.use_denoising = True
        scene.cycles.denoiser = "OPENIMAGEDENOISE"
        scene.cycles.denoising_input_passes = "RGB_ALBEDO_NORMAL"
        scene.cycles.max_bounces, scene.cycles.diffuse_bounces, scene.cycles.glossy_bounces = 6, 3, 2
        scene.cycles.transmission_bounces, scene.cycles.transparent_max_bounces = 4, 16
        scene.cycles.sample_clamp_indirect = 4.0
        scene.cycles.filter_width = 1.5
        scene.render.threads_mode, scene.render.threads = ("FIXED", threads) if threads else ("AUTO", 1)
        scene.render.resolution_x, scene.render.resolution_y = view.size
        scene.render.resolution_percentage = 100
        scene.render.film_transparent = False
        settings = scene.render.image_settings
        settings.file_format, settings.color_depth, settings.color_mode = "OPEN_EXR", "32", "RGB"
        with tempfile.TemporaryDirectory() as folder:
            scene.render.filepath = str(Path(folder) / "linear.exr")
            self.bpy.ops.render.render(write_still=True)
            image = self.bpy.data.images.load(scene.render.filepath)
            flat = np.empty(image.size[0] * image.size[1] * image.channels, np.float32)
            image.pixels.foreach_get(flat)
            picture = flat.reshape(image.size[1], image.size[0], image.channels)[::-1, :, :3]
        return np.nan_to_num(np.asarray(picture, float), posinf=0.0).clip(0, 100)

    def _standing(self, place: Array, axes: Array) -> Any:
        """Matrix of a thing whose own axes are rows (x, y, z) of our space."""
        matrix = np.eye(4)
        matrix[:3, :3] = (axes @ INTO.T).T
        matrix[:3, 3] = INTO @ place
        return importlib.import_module("mathutils").Matrix(matrix.tolist())

    def _material(self, made: Made) -> Any:
        key = repr(sorted(made.items(), key=str))
        if key not in self.made:
            self.made[key] = Nodes(self.bpy, made).material
        return self.made[key]


def _rows(back: Array) -> Array:
    back = back / np.linalg.norm(back)
    right = np.cross([0.0, 1.0, 0.0], back)
    right = right / np.linalg.norm(right) if np.linalg.norm(right) > 1e-6 else np.array([1.0, 0, 0])
    return np.stack([right, np.cross(back, right), back])


class Nodes:
    """A material, made of shader nodes."""

    def __init__(self, bpy: Any, made: Made) -> None:
        self.bpy, self.options = bpy, made
        self.material = bpy.data.materials.new(made["kind"])
        self.material.use_nodes = True
        self.tree = self.material.node_tree
        self.base = self.tree.nodes["Principled BSDF"]
        getattr(self, f"_{made['kind']}")()

    def _new(self, kind: str, **inputs: Any) -> Any:
        node = self.tree.nodes.new(f"ShaderNode{kind}")
        for name, value in inputs.items():
            self._give(value, node.inputs[name.replace("_", " ")])
        return node

    def _give(self, value: Any, to: Any) -> None:
        if hasattr(value, "is_output"):
            self.tree.links.new(value, to)
        elif isinstance(value, tuple) and len(value) == 3 and to.type == "RGBA":
            to.default_value = (*value, 1.0)
        else:
            to.default_value = value

    def _set(self, name: str, value: Any) -> None:
        self._give(value, self.base.inputs[name])

    def _mixed(self, share: Any, first: Any, second: Any, how: str = "MIX") -> Any:
        node = self.tree.nodes.new("ShaderNodeMix")
        node.data_type, node.blend_type = "RGBA", how
        self._give(share, node.inputs[0])
        self._give(first, node.inputs[6])
        self._give(second, node.inputs[7])
        return node.outputs[2]

    def _at(self, scale: tuple[float, float, float] = (1, 1, 1), turn: float = 0.0, space: str = "UV") -> Any:
        place, mapping = self._new("TexCoord"), self._new("Mapping")
        mapping.inputs["Scale"].default_value = scale
        mapping.inputs["Rotation"].default_value = (0, 0, turn)
        self.tree.links.new(place.outputs[space], mapping.inputs["Vector"])
        return mapping.outputs["Vector"]

    def _picture(self, path: str, plain: bool = False) -> Any:
        node = self._new("TexImage")
        node.image = self.bpy.data.images.load(path, check_existing=True)
        if plain:
            node.image.colorspace_settings.name = "Non-Color"
        return node

    def _bumped(self, height: Any, strength: float, distance: float) -> Any:
        bump = self._new("Bump", Strength=strength, Distance=distance, Height=height)
        return bump.outputs["Normal"]

    def _skin(self) -> None:
        o = self.options
        picture = self._picture(o["picture"]).outputs["Color"]
        colour = self._mixed(1.0, picture, o["tint"], "MULTIPLY")
        scalp = self._new("Attribute")
        scalp.attribute_name = "shade"
        colour = self._mixed(scalp.outputs["Fac" if "Fac" in scalp.outputs else "Factor"], colour, o["scalp"])
        self._set("Base Color", colour)
        self._set("Roughness", o["rough"])
        self._set("Subsurface Weight", o["under"])
        self.base.inputs["Subsurface Radius"].default_value = (1.0, 0.35, 0.2)
        self._set("Subsurface Scale", 0.006)
        fine = self._new("TexNoise", Vector=self._at(space="Object"), Scale=420.0, Detail=3.0)
        self._set("Normal", self._bumped(fine.outputs[0], 0.18, 0.0015))

    def _plain(self) -> None:
        o = self.options
        self._set("Base Color", o["colour"])
        self._set("Roughness", o.get("rough", 0.5))
        self._set("Metallic", o.get("metal", 0.0))

    def _lit(self) -> None:
        self._set("Base Color", (0.9, 0.9, 0.9))
        self._set("Emission Color", self.options["colour"])
        self._set("Emission Strength", self.options["strength"])

    def _paper(self) -> None:
        fine = self._new("TexNoise", Vector=self._at(space="Object"), Scale=900.0, Detail=2.0)
        self._set("Base Color", self.options["colour"])
        self._set("Roughness", self.options["rough"])
        self._set("Normal", self._bumped(fine.outputs[0], 0.03, 0.0005))

    def _cards(self) -> None:
        """Hair or brows as cards with a picture of strands."""
        o = self.options
        picture = self._picture(o["picture"])
        self._set("Base Color", self._mixed(1.0, picture.outputs["Color"], o["tint"], "MULTIPLY"))
        self._set("Alpha", picture.outputs["Alpha"])
        self._set("Roughness", 0.45)

    def _hair(self) -> None:
        o = self.options
        node = self._new("BsdfHairPrincipled")
        node.parametrization = "MELANIN"
        for name, value in (("Melanin", o["melanin"]), ("Melanin Redness", o["redness"]), ("Random Color", 0.3)):
            next(one for one in node.inputs if one.name == name).default_value = value
        self.tree.links.new(node.outputs[0], self.tree.nodes["Material Output"].inputs["Surface"])

    def _worn(self) -> None:
        """Clothes that come with a picture."""
        o = self.options
        colour = self._mixed(1.0, self._picture(o["picture"]).outputs["Color"], o["tint"], "MULTIPLY")
        self._set("Base Color", colour)
        self._set("Roughness", 0.8)
        self._set("Sheen Weight", 0.2)
        weave = self._new("TexNoise", Vector=self._at(space="Object"), Scale=700.0, Detail=2.0)
        normal = self._bumped(weave.outputs[0], 0.3, 0.001)
        if o.get("normal"):
            node = self._new("NormalMap", Strength=0.8, Color=self._picture(o["normal"], True).outputs["Color"])
            bump = normal.node
            self.tree.links.new(node.outputs["Normal"], bump.inputs["Normal"])
        self._set("Normal", normal)

    def _cloth(self) -> None:
        o = self.options
        first, second = o["colour"], o["other"]
        at = self._at((o["often"], o["often"], o["often"]), o.get("turn", 0.0))
        pattern = o["pattern"]
        share: Any = 0.0
        if pattern == "stripes":
            wave = self._new("TexWave", Vector=at, Scale=1.0, Distortion=0.0)
            wave.bands_direction = o.get("way", "Y")
            share = self._step(wave.outputs[1], o.get("share", 0.5))
        elif pattern == "check":
            a, b = self._new("TexWave", Vector=at, Scale=1.0), self._new("TexWave", Vector=at, Scale=1.0)
            a.bands_direction, b.bands_direction = "X", "Y"
            half = self._new("Math")
            half.operation = "MULTIPLY_ADD"
            self.tree.links.new(self._step(a.outputs[1], 0.5), half.inputs[0])
            half.inputs[1].default_value = 0.5
            other = self._new("Math")
            other.operation = "MULTIPLY"
            self.tree.links.new(self._step(b.outputs[1], 0.5), other.inputs[0])
            other.inputs[1].default_value = 0.5
            self.tree.links.new(other.outputs[0], half.inputs[2])
            share = half.outputs[0]
        elif pattern == "dots":
            dots = self._new("TexVoronoi", Vector=at, Scale=1.0, Randomness=o.get("random", 0.0))
            share = self._step(dots.outputs[0], 0.3)
        elif pattern == "flowers":
            flowers = self._new("TexVoronoi", Vector=at, Scale=1.0, Randomness=1.0)
            flowers.feature = "F1"
            bright = self._new("HueSaturation", Color=flowers.outputs[1], Saturation=0.8, Value=0.8)
            second = bright.outputs[0]
            share = self._step(flowers.outputs[0], 0.38)
        elif pattern == "camouflage":
            blots = self._new("TexNoise", Vector=at, Scale=0.6, Detail=1.5, Distortion=0.8)
            share = self._step(blots.outputs[0], 0.5)
        elif pattern == "melange":
            blots = self._new("TexNoise", Vector=at, Scale=40.0, Detail=4.0, Roughness=0.9)
            share = blots.outputs[0]
        colour = self._mixed(share, first, second)
        if o.get("print"):
            picture = self._picture(o["print"])
            picture.extension = "CLIP"
            x, y, wide = o["print at"]
            mapping = self._new("Mapping")
            place = self._new("TexCoord")
            self.tree.links.new(place.outputs["UV"], mapping.inputs["Vector"])
            mapping.inputs["Scale"].default_value = (1 / wide, 1 / wide, 1)
            mapping.inputs["Location"].default_value = (0.5 - x / wide, 0.5 - y / wide, 0)
            self.tree.links.new(mapping.outputs["Vector"], picture.inputs["Vector"])
            colour = self._mixed(picture.outputs["Alpha"], colour, picture.outputs["Color"])
        self._set("Base Color", colour)
        self._set("Roughness", o.get("rough", 0.85))
        self._set("Sheen Weight", o.get("sheen", 0.15))
        if o.get("weave") == "knit":
            knit = self._new("TexWave", Vector=self._at((1, 1, 1)), Scale=o.get("fine", 60.0), Distortion=2.0)
            knit.bands_direction = "X"
            self._set("Normal", self._bumped(knit.outputs[1], 0.6, 0.0025))
        else:
            weave = self._new("TexNoise", Vector=self._at(space="Object"), Scale=650.0, Detail=3.0)
            large = self._new("TexNoise", Vector=self._at(space="Object"), Scale=28.0, Detail=4.0, Distortion=0.6)
            fine = self._bumped(weave.outputs[0], 0.25, 0.0012)
            bump = self._new("Bump", Strength=o.get("creases", 0.4), Distance=0.006, Height=large.outputs[0])
            self.tree.links.new(fine, bump.inputs["Normal"])
            self._set("Normal", bump.outputs["Normal"])

    def _step(self, value: Any, at: float) -> Any:
        node = self._new("MapRange")
        node.inputs[1].default_value, node.inputs[2].default_value = at - 0.02, at + 0.02
        self.tree.links.new(value, node.inputs[0])
        return node.outputs[0]

    def _plaster(self) -> None:
        o = self.options
        at = self._at(space="Object")
        rough = self._new("TexNoise", Vector=at, Scale=o["fine"], Detail=8.0, Roughness=0.65)
        stain = self._new("TexNoise", Vector=at, Scale=1.3, Detail=3.0)
        colour = self._mixed(stain.outputs[0], o["colour"], tuple(o["stain"] * c for c in o["colour"]))
        self._set("Base Color", colour)
        self._set("Roughness", o["rough"])
        self._set("Normal", self._bumped(rough.outputs[0], o["bump"], 0.004))

    def _bricks(self) -> None:
        """Bricks, tiles, boards or panels."""
        o = self.options
        brick = self._new("TexBrick", Vector=self._at(turn=o.get("turn", 0.0)), Color1=o["colour"], Color2=o["other"])
        brick.inputs["Mortar"].default_value = (*o["mortar"], 1.0)
        brick.inputs["Scale"].default_value = 1.0
        brick.inputs["Mortar Size"].default_value = o["gap"]
        brick.inputs["Mortar Smooth"].default_value = 0.2
        brick.inputs["Brick Width"].default_value, brick.inputs["Row Height"].default_value = o["size"]
        brick.offset = o.get("offset", 0.5)
        at = self._at(space="Object")
        speck = self._new("TexNoise", Vector=at, Scale=o.get("grain", 60.0), Detail=6.0, Distortion=o.get("bent", 0.0))
        colour = self._mixed(0.35, brick.outputs["Color"], speck.outputs[0], "OVERLAY")
        grey = self._new("HueSaturation", Color=colour, Saturation=o.get("saturation", 0.9), Value=1.0)
        self._set("Base Color", grey.outputs[0])
        self._set("Roughness", o["rough"])
        height = self._mixed(0.25, brick.outputs[1], speck.outputs[0])
        bump = self._new("Bump", Strength=o["bump"], Distance=0.006, Height=height)
        bump.invert = True
        self._set("Normal", bump.outputs["Normal"])

    def _wallpaper(self) -> None:
        o = self.options
        at = self._at((o["often"],) * 3, o.get("turn", 0.0))
        kind = o["pattern"]
        if kind == "stripes":
            node = self._new("TexWave", Vector=at, Scale=1.0)
            node.bands_direction = "X"
            share = self._step(node.outputs[1], 0.5)
        elif kind == "leaves":
            node = self._new("TexVoronoi", Vector=at, Scale=1.0, Randomness=0.7)
            node.distance = "MANHATTAN"
            share = self._step(node.outputs[0], 0.42)
        elif kind == "swirls":
            node = self._new("TexMagic", Vector=at, Scale=1.0, Distortion=1.6)
            node.turbulence_depth = 3
            share = self._step(node.outputs[1], 0.5)
        else:
            node = self._new("TexWave", Vector=at, Scale=1.0, Distortion=4.0, Detail=2.0)
            node.wave_type = "RINGS"
            share = self._step(node.outputs[1], 0.6)
        self._set("Base Color", self._mixed(share, o["colour"], o["other"]))
        self._set("Roughness", 0.7)
        fine = self._new("TexNoise", Vector=self._at(space="Object"), Scale=500.0, Detail=2.0)
        self._set("Normal", self._bumped(fine.outputs[0], 0.15, 0.001))

    def _wood(self) -> None:
        o = self.options
        at = self._at((1, 1, 6) if o.get("along", "z") == "z" else (6, 1, 1), space="Object")
        grain = self._new("TexNoise", Vector=at, Scale=4.0, Detail=8.0, Roughness=0.6, Distortion=1.2)
        colour = self._mixed(grain.outputs[0], o["colour"], tuple(0.45 * c for c in o["colour"]))
        self._set("Base Color", colour)
        self._set("Roughness", o["rough"])
        self._set("Normal", self._bumped(grain.outputs[0], 0.15, 0.002))

    def _painting(self) -> None:
        o = self.options
        at = self._at((o["often"],) * 3, o["turn"])
        node = self._new("TexNoise", Vector=at, Scale=1.0, Detail=5.0, Distortion=2.0)
        bright = self._new("HueSaturation", Color=node.outputs[1], Saturation=o["saturation"], Value=o["value"])
        self._set("Base Color", bright.outputs[0])
        self._set("Roughness", 0.35)
        self._set("Coat Weight", 0.5)


def rendered(path: Path, options: argparse.Namespace) -> str:
    """Render one description; what it took."""
    start = time.time()
    what = Description.load(path)
    studio = Studio()
    for piece in what.pieces:
        studio.add(piece)
    if what.hair is not None:
        studio.grow(what.hair)
    for lamp in what.lamps:
        studio.light(lamp)
    studio.surround(what.around)
    studio.look(what.camera)
    if studio.hits(what.camera, what.must, "sheet").mean() < SEEN_SHARE:
        raise ValueError("the sheet is hidden")
    linear = studio.rendered(what.camera, options.samples, options.threads, what.seed, options.card)
    np.save(path.with_suffix(".npy"), linear.astype(np.float16))
    return f"{path.stem} rendered in {time.time() - start:.0f} s"


def main() -> None:
    """Render them all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("descriptions", type=Path, nargs="+")
    parser.add_argument("--samples", type=int, default=40)
    parser.add_argument("--threads", type=int, default=0, help="0: all")
    parser.add_argument("--card", action="store_true", help="on a graphics card (CUDA)")
    options = parser.parse_args()
    for path in options.descriptions:
        try:
            print(rendered(path, options), flush=True)
        except ValueError as problem:
            path.with_suffix(".txt").write_text(str(problem))


if __name__ == "__main__":
    main()
