"""
Training of the network that marks the fluid: ``python -m tests.train_mask mask.onnx FOLDER...``.

The folders hold photos with their truth in JSON files beside them:
``fluid_polygon`` or, where the vial holds something else, ``liquid_polygon``, in pixels of the upright photo. Needs
torch.
"""

from __future__ import annotations

import hashlib
import json
import sys
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor, nn

from colorread.errors import Refusal
from colorread.fluid.find import DYED, MASK_PX_PER_MM, OTHER_LIQUID, color_map, mask_input
from colorread.photo.load import load_close_up, load_photo
from colorread.reference.balance import balance_view
from colorread.reference.find import find_references
from colorread.reference.plane import ENOUGH_PX_PER_MM, VIEW_PX_PER_MM, view_card

_STEPS, _BATCH, _RATE, _SEED = 12_000, 48, 2e-3, 3
_SIZE = 160, 216  # of what is trained on: the view of a card at 2 px/mm
_LOW = np.array([-0.5, -1.0, -1.0, 0.0], np.float32)
_HIGH = np.array([1.5, 1.0, 1.0, 1.0], np.float32)


def to_u8(layers: np.ndarray) -> np.ndarray:
    """Return the layers of `mask_input`, shape (4, h, w), as bytes."""
    share = (layers - _LOW[:, None, None]) / (_HIGH - _LOW)[:, None, None]
    return np.round(np.clip(share, 0.0, 1.0) * 255.0).astype(np.uint8)


def photo_and_truth(truth_file: Path) -> tuple[np.ndarray, np.ndarray] | None:
    """Return what the network is given of a photo, as bytes, and the class of each of its pixels; None if refused."""
    truth: dict[str, Any] = json.loads(truth_file.read_text())
    source = truth_file.parent / truth["file"]
    try:
        photo = load_photo(source)
        fit = find_references(photo.rgb_u8)[0]
        around_px = fit.plane.px_from_mm(fit.reference.outline.grown(4.0).corners_mm)
        view = view_card(load_close_up(source, photo, around_px, ENOUGH_PX_PER_MM / fit.px_per_mm), fit)
        balance = balance_view(view)
    except Refusal:
        return None
    layers = to_u8(mask_input(view, color_map(balance.rgb_lin, balance.paper_lin, balance.chroma_std)))
    _, height, width = layers.shape
    classes = np.zeros((height, width), np.uint8)
    for name, its_class in (("liquid_polygon", OTHER_LIQUID), ("fluid_polygon", DYED)):
        if truth.get(name):
            view_px = view.view_xy((np.array(truth[name])) * photo.scale - 0.5)
            at = (view_px + 0.5) * MASK_PX_PER_MM / VIEW_PX_PER_MM - 0.5
            cv2.fillPoly(classes, [np.round(at * 16.0).astype(np.int32)], its_class, shift=4)
    # Cards fill the size of training, tags stand in its middle.
    whole = np.tile(to_u8(np.zeros((4, 1, 1), np.float32)), (1, *_SIZE))
    truth_classes, left = np.zeros(_SIZE, np.uint8), (_SIZE[1] - width) // 2
    whole[:, :height, left : left + width] = layers
    truth_classes[:height, left : left + width] = classes
    return whole, truth_classes


class MaskNet(nn.Module):
    """An hourglass with skips: 0.5, 1 and 2 mm a pixel on the way in and out."""

    def __init__(self) -> None:
        super().__init__()
        a, b, c = 24, 48, 64
        self.in1 = nn.Sequential(nn.Conv2d(4, a, 4, 2, 1), nn.ReLU(), nn.Conv2d(a, a, 3, 1, 1), nn.ReLU())
        self.in2 = nn.Sequential(nn.Conv2d(a, b, 3, 2, 1), nn.ReLU(), nn.Conv2d(b, b, 3, 1, 1), nn.ReLU())
        self.in3 = nn.Sequential(
            nn.Conv2d(b, c, 3, 2, 1), nn.ReLU(),
            nn.Conv2d(c, c, 3, 1, 2, 2), nn.ReLU(),
            nn.Conv2d(c, c, 3, 1, 4, 4), nn.ReLU(),
        )  # fmt: skip
        self.up2 = nn.Sequential(nn.ConvTranspose2d(c, b, 2, 2), nn.ReLU())
        self.out2 = nn.Sequential(nn.Conv2d(2 * b, b, 3, 1, 1), nn.ReLU())
        self.up1 = nn.Sequential(nn.ConvTranspose2d(b, a, 2, 2), nn.ReLU())
        self.out1 = nn.Sequential(nn.Conv2d(2 * a, a, 3, 1, 1), nn.ReLU())
        self.last = nn.ConvTranspose2d(a, 3, 2, 2)

    def forward(self, layers: Tensor) -> Tensor:
        """Return the scores of the three classes, shape (N, 3, h, w)."""
        one = self.in1(layers)
        two = self.in2(one)
        deep = self.out2(torch.cat([self.up2(self.in3(two)), two], 1))
        return self.last(self.out1(torch.cat([self.up1(deep), one], 1)))


def varied(x: Tensor, y: Tensor) -> tuple[Tensor, Tensor]:
    """Return photos turned, scaled, moved, recolored, blurred, noisy, with colored shadows and pasted shapes."""
    n, _, h, w = x.shape
    dev = x.device
    rand = lambda *s: torch.rand(*s, device=dev)  # noqa: E731
    normal = lambda *s: torch.randn(*s, device=dev)  # noqa: E731
    # Shapes in the dye's colors that are no fluid: flat or shaded ellipses and strips.
    ys, xs = torch.meshgrid(torch.arange(h, device=dev), torch.arange(w, device=dev), indexing="ij")
    turn = 6.283 * rand(n, 1, 1)
    dx, dy = xs - w * (0.1 + 0.8 * rand(n, 1, 1)), ys - h * (0.1 + 0.8 * rand(n, 1, 1))
    u, v = dx * turn.cos() + dy * turn.sin(), dy * turn.cos() - dx * turn.sin()
    ru, rv = 4 + 22 * rand(n, 1, 1), 4 + 22 * rand(n, 1, 1)
    power = torch.where(rand(n, 1, 1) < 0.5, 2.0, 10.0)
    inside = ((u / ru).abs() ** power + (v / rv).abs() ** power < 1) & (rand(n, 1, 1) < 0.3)
    hue, depth = 2.7 * rand(n, 1, 1) - 0.4, 0.05 + 0.7 * rand(n, 1, 1)
    shade = 0.3 * rand(n, 1, 1) + (u / ru) * 0.3 * normal(n, 1, 1) * (rand(n, 1, 1) < 0.5)
    paste = torch.stack([shade, depth * hue.sin() + 0 * u, depth * hue.cos() + 0 * u], 1)
    x = torch.cat([torch.where(inside[:, None], paste, x[:, :3]), x[:, 3:]], 1)
    y = torch.where(inside, 0, y)
    # Geometry.
    angle = torch.where(rand(n) < 0.7, 0.26 * normal(n), 6.283 * rand(n))
    scale = torch.exp(0.2 * normal(n))
    flip = torch.where(rand(n) < 0.5, 1.0, -1.0)
    c, s = angle.cos() * scale, angle.sin() * scale
    shift = 0.3 * normal(n, 2)
    aspect = h / w
    theta = torch.stack(
        [torch.stack([c * flip, -s * aspect, shift[:, 0]], 1), torch.stack([s * flip / aspect, c, shift[:, 1]], 1)], 1
    )
    grid = F.affine_grid(theta, [n, 1, h, w], align_corners=False)
    x = F.grid_sample(x, grid, align_corners=False)
    y = F.grid_sample(y[:, None].float(), grid, mode="nearest", align_corners=False)[:, 0].long()
    # Color: chroma stronger, weaker, turned; light; colored shadows; noise.
    gain, t = torch.exp(0.25 * normal(n, 1, 1)), 0.12 * normal(n, 1, 1)
    red, blue = x[:, 1], x[:, 2]
    red, blue = gain * (red * t.cos() - blue * t.sin()), gain * (red * t.sin() + blue * t.cos())
    soft = F.interpolate(normal(n, 3, 4, 5), size=(h, w), mode="bicubic", align_corners=False)
    amount = torch.tensor([0.06, 0.015, 0.015], device=dev)[:, None, None] * rand(n, 1, 1, 1) * 2
    noise = normal(n, 3, h, w) * (0.03 * rand(n, 1, 1, 1) ** 2)
    color = torch.stack([x[:, 0] * torch.exp(0.15 * normal(n, 1, 1)), red, blue], 1) + soft * amount + noise
    x = torch.cat([color, x[:, 3:] * (rand(n, 1, 1, 1) < 0.8)], 1)
    blurred = F.avg_pool2d(x, 3, 1, 1)
    return torch.where(rand(n, 1, 1, 1) < 0.3, blurred, x), y


def train(layers: np.ndarray, classes: np.ndarray, seed: int = _SEED, steps: int = _STEPS) -> MaskNet:
    """Return the network, its weights averaged over the last steps."""
    torch.manual_seed(seed)
    dev = "cuda" if torch.cuda.is_available() else "cpu"
    low, span = (torch.tensor(v, device=dev)[:, None, None] for v in (_LOW, _HIGH - _LOW))
    images, truth = torch.tensor(layers, device=dev), torch.tensor(classes, device=dev)
    net = MaskNet().to(dev)
    mean = torch.optim.swa_utils.AveragedModel(net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998))
    optimizer = torch.optim.AdamW(net.parameters(), _RATE, weight_decay=1e-3)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimizer, _RATE, steps, pct_start=0.1)
    start = time.time()
    for step in range(steps):
        pick = torch.randint(len(images), (_BATCH,), device=dev)
        x, y = varied(images[pick].float() / 255.0 * span + low, truth[pick].long())
        score = net(x)
        share = score.softmax(1)
        dice = 0.0
        for k in (1, 2):
            here = (y == k).float()
            dice = dice + 1 - (2 * (share[:, k] * here).sum() + 20) / (share[:, k].sum() + here.sum() + 20)
        loss = F.cross_entropy(score, y, label_smoothing=0.01) + 0.3 * dice
        optimizer.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimizer.step()
        schedule.step()
        mean.update_parameters(net)
        if step % 500 == 0 or step == steps - 1:
            print(f"step {step}: loss {float(loss.detach()):.4f}, {time.time() - start:.0f} s", flush=True)
    return mean.module.cpu().eval()


def main(target: str, *folders: str) -> None:
    """Train on the photos of some folders and write the network."""
    files = [file for folder in folders for file in sorted(Path(folder).glob("*_*.json"))]
    pairs = [pair for pair in map(photo_and_truth, files) if pair is not None]
    layers, classes = (np.stack(parts) for parts in zip(*pairs, strict=True))
    print(f"{len(layers)} photos, sha256 {hashlib.sha256(layers.tobytes()).hexdigest()[:16]}")
    axes = {"layers": {2: "h", 3: "w"}, "scores": {2: "h", 3: "w"}}
    torch.onnx.export(
        train(layers, classes), torch.zeros(1, 4, *_SIZE), target, input_names=["layers"], output_names=["scores"],
        dynamic_axes=axes, opset_version=13, dynamo=False,
    )  # fmt: skip


if __name__ == "__main__":
    main(*sys.argv[1:])
