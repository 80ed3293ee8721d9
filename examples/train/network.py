"""The network of `narrows::network` in PyTorch: the same layers, the same order of the file.

`src/network/forward.rs` is the twin; a test there compares both on `reference.bin`.
"""
import struct

import numpy as np
import torch
from torch import nn
from torch.nn import functional as F

SIDE, SLICES, KINDS, PLANES = 48, 32, 4, 8
FINE, COARSE, HIDDEN, OUTPUTS = 48, 64, 64, 8
EXTRAS = 8
LEAST_MM2 = 0.5
MAGIC = b"VCNET001"


def block(inputs, outputs, dilation=1):
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, padding=dilation, dilation=dilation, bias=False),
        nn.BatchNorm2d(outputs),
    )


class Network(nn.Module):
    def __init__(self):
        super().__init__()
        self.stem = block(KINDS * SLICES + PLANES, FINE)
        self.second = block(FINE, FINE)
        self.down = block(FINE, COARSE)
        self.deep = nn.ModuleList(block(COARSE, COARSE, d) for d in (1, 2, 4, 1))
        self.lift = nn.Conv2d(COARSE, FINE, 1)
        self.join = block(FINE, FINE)
        self.map = nn.Conv2d(FINE, 1, 1)
        self.hidden = nn.Linear(COARSE + FINE + EXTRAS, HIDDEN)
        self.out = nn.Linear(HIDDEN, OUTPUTS)
        nn.init.zeros_(self.out.weight)
        nn.init.constant_(self.out.bias, 0.0)
        self.out.bias.data[1] = -1.5
        self.map.bias.data[0] = -3.0

    def forward(self, samples, scene):
        """samples (n, 128, 48, 48); scene: dict of (n,) tensors pitch, nyquist, power and (n, 3) apex, (n,) known.

        Gives the outline's logits (n, 48, 48) and the head's numbers in their units.
        """
        planes, numbers = scene_planes(scene)
        x = torch.cat([samples, planes.to(samples.dtype)], 1)
        fine = F.relu(self.second(F.relu(self.stem(x))))
        coarse = F.relu(self.down(F.avg_pool2d(fine, 2)))
        for layer in self.deep:
            coarse = coarse + F.relu(layer(coarse))
        up = F.interpolate(self.lift(coarse), scale_factor=2, mode="nearest")
        features = F.relu(self.join(F.relu(fine + up)))
        logits = self.map(features)[:, 0].float()
        with torch.autocast(samples.device.type, enabled=False):
            inside = torch.sigmoid(logits)
            pixels = inside.sum((1, 2))
            area = pixels * scene["pitch"] ** 2
            at = torch.arange(SIDE, device=samples.device, dtype=torch.float32) - (SIDE - 1) / 2
            u = (inside.sum(1) * at).sum(1) / (pixels + 1) * scene["pitch"]
            v = (inside.sum(2) * at).sum(1) / (pixels + 1) * scene["pitch"]
            pooled = torch.einsum("nyx,ncyx->nc", inside, features.float()) / (pixels + 1)[:, None]
            extras = torch.stack([u / 12, v / 12, torch.log(area + LEAST_MM2) / 4], 1)
            head = torch.cat([coarse.float().mean((2, 3)), pooled, numbers, extras], 1)
            out = self.out(F.relu(self.hidden(head)))
            return {
                "logits": logits,
                "log_area": torch.log(area + LEAST_MM2) + out[:, 0],
                "log_spread": out[:, 1].clamp(-5, 2),
                "lean": out[:, 2:4] * 0.2,
                "offset": out[:, 4:7] * 3,
                "orifice": out[:, 7],
            }


def scene_planes(scene):
    """The eight planes (n, 8, 48, 48) and the five numbers (n, 5) that go straight to the head."""
    pitch, apex, known = scene["pitch"], scene["apex"], scene["known"]
    n, device = len(pitch), pitch.device
    at = (torch.arange(SIDE, device=device, dtype=torch.float32) - (SIDE - 1) / 2) * pitch[:, None]
    u = at[:, None, :].expand(n, SIDE, SIDE)
    v = at[:, :, None].expand(n, SIDE, SIDE)
    one = torch.ones_like(u)

    def beam(u, v, w):
        along = torch.stack([u, v, w], 1) - apex.view((n, 3) + (1,) * (u.dim() - 1))
        unit = along / along.pow(2).sum(1, keepdim=True).sqrt().clamp_min(1e-9)
        return unit * known.view((n,) + (1,) * u.dim())

    settings = [torch.log(scene["nyquist"] / 0.6), scene["power"], torch.log(pitch / 0.6)]
    planes = torch.cat(
        [beam(u, v, 0 * u), torch.stack([s[:, None, None] * one for s in settings] + [u / 12, v / 12], 1)], 1
    )
    zero = torch.zeros_like(pitch)
    b = beam(zero, zero, zero)
    numbers = torch.stack(settings + [b[:, 2], b[:, :2].pow(2).sum(1).sqrt()], 1)
    return planes, numbers


def tensors(network):
    """Weights and biases in the order of the file, batch normalisation folded in, float32 numpy."""
    def folded(conv, norm):
        gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        return conv.weight * gain[:, None, None, None], norm.bias - norm.running_mean * gain

    found = [folded(*b) for b in (network.stem, network.second, network.down, *network.deep)]
    found += [(network.lift.weight, network.lift.bias), folded(*network.join)]
    found += [(layer.weight, layer.bias) for layer in (network.map, network.hidden, network.out)]
    return [t.detach().float().cpu().numpy() for pair in found for t in pair]


def write(path, network, calibration):
    """Writes the weights file: half precision behind magic and calibration."""
    numbers = np.concatenate([t.ravel() for t in tensors(network)]).astype("<f2")
    assert np.isfinite(numbers).all()
    with open(path, "wb") as file:
        file.write(MAGIC + struct.pack("<4f", *calibration) + numbers.tobytes())


def rounded(network):
    """A copy without batch normalisation whose weights are what the file holds."""
    import copy

    plain = copy.deepcopy(network).cpu().float().eval()
    for b in (plain.stem, plain.second, plain.down, *plain.deep, plain.join):
        b[0] = nn.Conv2d(b[0].in_channels, b[0].out_channels, 3, padding=b[0].padding, dilation=b[0].dilation)
        b[1] = nn.Identity()
    layers = [b[0] for b in (plain.stem, plain.second, plain.down, *plain.deep)]
    layers += [plain.lift, plain.join[0], plain.map, plain.hidden, plain.out]
    pairs = iter(tensors(network))
    for layer in layers:
        layer.weight.data = torch.from_numpy(next(pairs).astype(np.float16).astype(np.float32))
        layer.bias.data = torch.from_numpy(next(pairs).astype(np.float16).astype(np.float32))
    return plain


def reference(path, network):
    """Writes fixed inputs' answers for the test of the Rust twin: samples made by a rule, numbers by PyTorch."""
    plain = rounded(network)
    index = np.arange(KINDS * SLICES * SIDE * SIDE, dtype=np.uint64)
    lines = []
    for case in range(3):
        # A multiplicative hash (Knuth): the same in both languages, in whole numbers.
        hashed = ((index + np.uint64(case * 1_000_003)) * np.uint64(2_654_435_761) % np.uint64(1 << 32)) >> np.uint64(16)
        samples = (hashed.astype(np.float32) / np.float32(65536)).reshape(KINDS, SLICES, SIDE, SIDE)
        samples[:2] = samples[:2] * 2 - 1
        samples *= case > 0
        if case != 2:
            samples[3] = 0
        scene = {
            "pitch": torch.tensor([0.5 + 0.2 * case]),
            "nyquist": torch.tensor([0.4 + 0.1 * case]),
            "power": torch.tensor([1.0 if case == 2 else 0.0]),
            "apex": torch.tensor([[10.0 * case, -5.0, -80.0]]),
            "known": torch.tensor([1.0 if case else 0.0]),
        }
        with torch.no_grad():
            out = plain(torch.from_numpy(samples).reshape(1, -1, SIDE, SIDE), scene)
        inside = torch.sigmoid(out["logits"])
        numbers = torch.cat([
            out["log_area"], out["log_spread"], out["lean"][0], out["offset"][0], out["orifice"],
            inside.sum().view(1), inside[0, ::13, ::11].reshape(-1),
        ])
        lines.append(numbers.numpy().astype("<f4"))
    open(path, "wb").write(np.stack(lines).tobytes())


if __name__ == "__main__":
    import sys

    torch.manual_seed(1)
    net = Network().eval()
    # So that no layer is idle before training.
    nn.init.normal_(net.out.weight, std=0.1)
    folder = sys.argv[1]
    write(f"{folder}/weights.bin", net, [2.0, 2.5, 2.5, 3.0])
    reference(f"{folder}/reference.bin", net)
    print(sum(t.size for t in tensors(net)), "weights")
