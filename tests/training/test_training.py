"""The networks' training: scenes that repeat, strips of every width, and a short run whose result OpenCV can load."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from training import bowshape, camera, lumber
from training.blocks import HELD, Block, draw_block, held_out, plan, read, write
from training.recipe import RECIPES, Recipe
from training.scenes import THICK, near_size
from training.textures import Stock, TextureBank

ROOT = Path(__file__).resolve().parents[2]
FINDER, SILHOUETTE = RECIPES["tiny"]
needs_torch = pytest.mark.skipif(
    importlib.util.find_spec("torch") is None or importlib.util.find_spec("onnx") is None,
    reason="training needs torch and onnx (training/requirements.txt), which the package itself does not",
)


@pytest.mark.parametrize("recipe", RECIPES["tiny"], ids=lambda r: r.net)
def test_a_block_depends_on_the_seed_and_its_number_alone(recipe: Recipe) -> None:
    one, other = Block(recipe.net, "drawn", 1), Block(recipe.net, "drawn", 2)
    first = draw_block(one, recipe, Stock())
    draw_block(other, recipe, stock := Stock())
    again = draw_block(one, recipe, stock)  # after another block, from a stock that already holds tiles
    assert all(np.array_equal(a, b) for a, b in zip(first, again, strict=True))
    assert not np.array_equal(first[0], draw_block(one, replace(recipe, seed=recipe.seed + 1), Stock())[0])


def test_burnt_bellies_are_drawn_where_the_recipe_asks_for_them() -> None:
    """The same block, once with no bow burnt and once with all."""
    plain = replace(SILHOUETTE, seed=5, block=2)
    block = Block("silhouette", "drawn", 0)
    one = draw_block(block, plain, Stock())
    again = draw_block(block, replace(plain, charred=0.0), Stock())
    burnt = draw_block(block, replace(plain, charred=1.0), Stock())
    assert all(np.array_equal(a, b) for a, b in zip(one, again, strict=True))
    assert not np.array_equal(one[0], burnt[0])


def test_timber_stands_about_where_the_recipe_asks_for_it() -> None:
    """The same block without any and with some in every picture; the limb is asked for in both."""
    plain = replace(FINDER, seed=6, block=2)
    block = Block("finder", "drawn", 0)
    none, full = (draw_block(block, replace(plain, cluttered=share), Stock()) for share in (0.0, 1.0))
    assert all(np.array_equal(a, b) for a, b in zip(draw_block(block, plain, Stock()), none, strict=True))
    assert not np.array_equal(none[0], full[0])
    assert all((labels[..., 0] > 127).sum() > 20 for labels in full[1])


def test_a_bow_is_told_from_a_stave_by_its_string_or_its_taper() -> None:
    rng = np.random.default_rng(3)
    bows = [bowshape.random_bow(rng) for _ in range(60)]
    strung = [b for b in bows if b.state != "unstrung"]
    assert strung and all(lumber.told_apart(b) for b in strung)
    slack = next(b for b in bows if b.state == "unstrung" and lumber.told_apart(b))
    even = np.full_like(slack.back, 0.5)
    assert not lumber.told_apart(replace(slack, back=even, belly=even))


def test_another_bow_stands_back_from_the_one_that_is_meant() -> None:
    """It lacks the string that the one meant has, or runs out of the picture in which that one is whole."""
    rng = np.random.default_rng(4)
    seen = 0
    for _ in range(60):
        mine = camera.random_scene(rng, (400, 300))
        other = lumber.other_bow(rng, mine)
        if other is None:
            continue
        seen += 1
        assert lumber.whole(mine)
        assert not lumber.whole(other) or (mine.bow.state != "unstrung" and not other.bow.strings)
    assert seen > 10


def test_what_nobody_could_see_is_not_asked_for() -> None:
    rng = np.random.default_rng(5)
    labels = np.zeros((60, 80, 3), np.uint8)
    labels[28:32, 10:70, 0] = 255
    wall = rng.normal(120, 3, (120, 160, 3)).clip(0, 255).astype(np.uint8)
    assert not lumber.shows(wall, labels)
    wall[56:64, 20:140] = 90
    assert lumber.shows(wall, labels)


def test_a_blend_lies_between_its_networks(tmp_path: Path) -> None:
    onnx = pytest.importorskip("onnx", reason="training needs onnx, which the package itself does not")
    from training.blend import blend

    def one(value: float, size: int = 4) -> Path:
        path = tmp_path / f"{value}-{size}.onnx"
        weights = onnx.numpy_helper.from_array(np.full(size, value, np.float32), "w")
        node = onnx.helper.make_node("Conv", ["x", "w"], ["y"], name="conv")
        onnx.save(onnx.helper.make_model(onnx.helper.make_graph([node], "net", [], [], [weights])), path)
        return path

    blend(one(1.0), one(3.0), 0.25, tmp_path / "out.onnx")
    (weights,) = onnx.load(tmp_path / "out.onnx").graph.initializer
    assert onnx.numpy_helper.to_array(weights).tolist() == [1.5] * 4
    with pytest.raises(ValueError, match=r"w is \(5,\), in .* \(4,\)"):
        blend(one(1.0), one(3.0, size=5), 0.25, tmp_path / "out.onnx")


def test_a_block_comes_back_from_its_file_as_it_was(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    pictures, labels = (rng.integers(0, 256, shape, np.uint8) for shape in ((2, 8, 16, 3), (2, 4, 8, 3)))
    write(tmp_path / "a.npz", pictures, labels)
    back = read(tmp_path / "a.npz")
    assert np.array_equal(back[0], pictures)
    assert np.array_equal(back[1], labels)


@pytest.mark.parametrize("recipe", [r for rs in RECIPES.values() for r in rs], ids=lambda r: f"{r.net}-{r.steps}-{r.until}")
def test_every_block_is_used_by_the_end_and_none_that_is_held_out(recipe: Recipe) -> None:
    blocks = plan(recipe)
    assert len(set(blocks)) == recipe.drawn + recipe.traced == recipe.blocks_at(recipe.steps - 1)
    if recipe.then is not None:  # the second run's samples are among those of the first, so that they are drawn
        assert set(plan(recipe.then)) <= set(blocks)
        assert held_out(recipe.then) == held_out(recipe)
    used = [recipe.blocks_at(k) for k in range(recipe.steps)]
    assert used[0] >= 1
    assert used == sorted(used)
    assert not set(blocks) & set(held_out(recipe))
    assert all(b.number >= HELD for b in held_out(recipe))


def test_tiles_kept_in_files_are_those_made_in_memory(tmp_path: Path) -> None:
    kept, made = Stock(3, tmp_path), Stock(3)
    assert np.array_equal(kept.tile("planks", 2), made.tile("planks", 2))
    assert not np.array_equal(made.tile("planks", 2), made.tile("planks", 1))


def test_limbs_of_every_width_are_asked_for() -> None:
    """Limbs 30 and 110 px thick in 12 megapixels: in the strips 6 to 45 steps. One of 10 px is not blown up beyond 25."""
    rng = np.random.default_rng(5)
    for thick in (10.0, 30.0, 110.0):
        got = np.array([near_size(rng, thick) for _ in range(400)])
        steps = thick * got[:, 0] / got[:, 1]
        assert steps.min() < THICK[0] * 1.15
        assert steps.max() > (25 if thick < 15 else THICK[1] * 0.87)
        assert got[:, 0].max() * 4032 <= 7001  # no picture grows out of all bounds


def test_strips_show_limbs_in_the_measure_of_the_rows() -> None:
    """In drawn strips the limb's own share of the rows spreads over the whole range the product meets."""
    from training.scenes import strip_samples

    rng = np.random.default_rng(11)
    bank = TextureBank(rng, Stock(per_kind=1))
    rows: list[float] = []
    while len(rows) < 24:
        for _, label in strip_samples(rng, bank, 256):
            thick = (label[..., 0] > 127).sum(0)
            if (thick > 0).mean() > 0.5:
                rows.append(float(np.median(thick[thick > 0])))
    assert min(rows) < 12
    assert max(rows) > 26


@needs_torch
def test_shipped_weights_read_back_give_the_same_maps() -> None:
    """The start of a run: the torch network with an ONNX file's weights agrees with OpenCV's reading of it to 1e-3 (float32
    rounding through some 60 layers), and still does after its batch norms got real statistics."""
    import torch

    from training import models
    from training.start import load, settle

    path = ROOT / "training" / "start" / "silhouette.onnx"
    net = models.silhouette()
    load(net, path)
    pictures, _ = draw_block(Block("silhouette", "drawn", 0), SILHOUETTE, Stock(per_kind=1))
    x = np.ascontiguousarray(pictures.transpose(0, 3, 1, 2), np.float32)
    theirs = cv2.dnn.readNetFromONNX(str(path))
    theirs.setInput(x[:1])
    expected = theirs.forward()
    with torch.no_grad():
        loaded = net.eval()(torch.from_numpy(x[:1])).numpy()
        settle(net, [torch.from_numpy(x)])
        settled = net.eval()(torch.from_numpy(x[:1])).numpy()
    assert np.abs(loaded - expected).max() < 1e-3
    assert np.abs(settled - expected).max() < 1e-3


@needs_torch
@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # torch warns of its own parts as it exports
def test_a_deeper_finder_begins_as_the_one_it_goes_on_from(tmp_path: Path) -> None:
    """Its new blocks pass everything on unchanged, and a blend with the network it came from keeps to the ends it is given."""
    import torch

    from training import models
    from training.blend import blend
    from training.export import export
    from training.start import load

    shipped = ROOT / "tillerlens" / "trace" / "models" / "finder.onnx"
    net = models.finder(deeper=True)
    load(net, shipped)
    rng = np.random.default_rng(3)
    x = rng.uniform(0, 255, (1, 3, 128, 192)).astype(np.float32)
    theirs = cv2.dnn.readNetFromONNX(str(shipped))
    theirs.setInput(x)
    expected = theirs.forward()
    with torch.no_grad():
        assert np.abs(net.eval()(torch.from_numpy(x)).numpy() - expected).max() < 1e-3
    first, second = tmp_path / "first.onnx", tmp_path / "second.onnx"
    other = models.finder(deeper=True)
    load(other, shipped)
    with torch.no_grad():
        for weights in other.parameters():
            weights.add_(0.01 * torch.randn_like(weights))
    for one, path in ((net, first), (other, second)):
        export(one, path, (128, 192))
    for share, end in ((0.0, first), (1.0, second)):
        blend(first, second, share, tmp_path / "mixed.onnx")
        maps = []
        for path in (tmp_path / "mixed.onnx", end):
            read = cv2.dnn.readNetFromONNX(str(path))
            read.setInput(x)
            maps.append(read.forward())
        assert np.abs(maps[0] - maps[1]).max() < 1e-4


@needs_torch
@pytest.mark.slow
def test_a_short_run_ends_in_networks_that_opencv_loads(tmp_path: Path) -> None:
    """Draw, train and export both networks at a tiny size; each file gives its torch network's maps in cv2.dnn."""
    import torch

    from training import models

    command = [sys.executable, "-m", "training.train", "all", "--recipe", "tiny", "--device", "cpu", "--workers", "1",
               "--tracers", "0", "--out", str(tmp_path)]  # fmt: skip
    quiet = {**os.environ, "OMP_NUM_THREADS": "1"}
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=600, env=quiet)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    for name, shape in (("finder", (128, 192)), ("silhouette", (64, 96))):
        net = getattr(models, name)()
        net.load_state_dict(torch.load(tmp_path / f"{name}.pt", map_location="cpu"))
        shipped = getattr(models, name)()
        from training.start import load

        load(shipped, ROOT / "training" / "start" / f"{name}.onnx")
        x = np.random.default_rng(2).integers(0, 256, (1, 3, *shape)).astype(np.float32)
        theirs = cv2.dnn.readNetFromONNX(str(tmp_path / f"{name}.onnx"))
        theirs.setInput(x)
        got = theirs.forward()
        with torch.no_grad():
            ours = net.eval()(torch.from_numpy(x)).numpy()
            before = shipped.eval()(torch.from_numpy(x)).numpy()
        assert got.shape == ours.shape
        assert np.abs(got - ours).max() < 1e-3
        assert np.abs(ours - before).max() > 1e-3  # it did learn something
        assert (tmp_path / f"{name}.onnx").stat().st_size < 4_000_000
