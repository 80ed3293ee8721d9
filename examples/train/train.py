"""Trains the network on patches that `--example train` drew, and measures it on geometries left out.

  python train.py PATCHES... OUT --leave 0 --seconds 500 [--gpu 0]

One geometry in nine is left out of training, those whose number leaves this rest. OUT gets weights.bin and reference.bin,
and left.npz and seen.npz: the answers on what was left out and on some of what was seen. Then `card.py` calibrates the
spread on the first and writes the card.

AdamW, warm-up and cosine over the given time, bfloat16 on a GPU; mirrored and turned about the axis; unless `--plain`,
stretched across it, the beam from the other side, the full signal's power a little off, since the geometries are few;
power taken away from a third; the exponential mean of the weights is what is kept. The answers are means over four
quarter turns. The program ships one training of either kind, `src/network/plain.bin` and `stretched.bin`.
"""
import argparse
import json
import math
import os
import time

import numpy as np

PARTS = 9
BATCH = 256
SIDE, SLICES = 48, 32
PIXELS = SIDE * SIDE


def load(folders):
    """Labels as a dict of arrays, the rest of the records of each folder as bytes (memory-mapped)."""
    labels, rest, before = {}, [], 0
    for folder in folders:
        layout = json.load(open(f"{folder}/patches.json"))
        size, names = layout["record_bytes"], layout["labels"]
        raw = np.memmap(f"{folder}/patches.bin", np.uint8, "r")
        raw = raw[: len(raw) // size * size].reshape(-1, size)
        head = np.ascontiguousarray(raw[:, : 4 * len(names)]).view("<f4").astype(np.float64)
        head[:, names.index("geometry")] += before
        before += len(layout["geometries"])
        for i, name in enumerate(names):
            labels.setdefault(name, []).append(head[:, i])
        rest.append(raw[:, 4 * len(names) :])
    return {name: np.concatenate(parts) for name, parts in labels.items()}, rest


class Data:
    """All patches on one device; batches are decoded there."""

    def __init__(self, folders, device, plain):
        import torch

        labels, rest = load(folders)
        self.torch, self.device, self.labels, self.plain = torch, device, labels, plain
        self.bytes = torch.empty((sum(map(len, rest)), rest[0].shape[1]), dtype=torch.uint8, device=device)
        to_row = 0
        for raw in rest:
            for at in range(0, len(raw), 4096):
                part = torch.from_numpy(np.ascontiguousarray(raw[at : at + 4096])).to(device)
                self.bytes[to_row : to_row + len(part)] = part
                to_row += len(part)
        to = lambda *names: torch.tensor(np.stack([labels[n] for n in names], 1), dtype=torch.float32, device=device)
        self.truth = to("orifice", "log_area", "lean_u", "lean_v", "offset_u", "offset_v", "offset_w")
        self.scene = to("pitch", "nyquist", "apex_u", "apex_v", "apex_w")

    def batch(self, index, power, augment):
        """Samples, scene, outline, truth; `power` a (n,) tensor of 0 and 1."""
        torch = self.torch
        rows = self.bytes[index]
        dtype = torch.bfloat16 if self.device.startswith("cuda") else torch.float32
        outline = rows[:, :PIXELS].view(-1, SIDE, SIDE).float() / 255
        samples = rows[:, PIXELS:].view(-1, 4, SLICES, SIDE, SIDE)
        phasors = samples[:, :2].contiguous().view(torch.int8).to(dtype) / 127
        shown = samples[:, 2:3].to(dtype) / 255
        strength = samples[:, 3:].to(dtype) / 127 * power.to(dtype).view(-1, 1, 1, 1, 1)
        samples = torch.cat([phasors, shown, strength], 1).flatten(1, 2)
        truth, scene = self.truth[index].clone(), self.scene[index]
        apex, known = scene[:, 2:5].clone(), torch.ones_like(power)
        if augment:
            known = (torch.rand_like(power) > 0.03).float()
            for axis, dim in ((0, -1), (1, -2)):
                if np.random.rand() < 0.5:
                    samples, outline = samples.flip(dim), outline.flip(dim)
                    apex[:, axis] *= -1
                    truth[:, 2 + axis] *= -1
                    truth[:, 4 + axis] *= -1
            if np.random.rand() < 0.5:
                samples, outline = samples.transpose(-1, -2), outline.transpose(-1, -2)
                apex = apex[:, [1, 0, 2]]
                truth = truth[:, [0, 1, 3, 2, 5, 4, 6]]
        if augment and not self.plain:
            if np.random.rand() < 0.3:
                samples[:, SLICES : 2 * SLICES] *= -1
                apex = -apex
            samples[:, 3 * SLICES :] *= torch.exp(0.08 * torch.randn_like(power)).to(dtype).view(-1, 1, 1, 1)
            if np.random.rand() < 0.6:
                samples, outline, scene, apex, truth = self.stretched(samples, outline, scene, apex, truth)
        if self.device.startswith("cuda"):
            samples = samples.contiguous(memory_format=torch.channels_last)
        scene = {"pitch": scene[:, 0], "nyquist": scene[:, 1], "power": power, "apex": apex, "known": known}
        return samples, scene, outline, truth

    def stretched(self, samples, outline, scene, apex, truth):
        """Up to a third longer along u or v, and the pitch smaller so that the area stays."""
        torch = self.torch
        from torch.nn import functional as F

        longer = 1 + torch.rand_like(truth[:, 0]) / 3
        first = (torch.rand_like(longer) < 0.5).float()
        zoom = torch.stack([1 + (longer - 1) * first, 1 + (longer - 1) * (1 - first)], 1)
        theta = torch.zeros(len(zoom), 2, 3, device=zoom.device)
        theta[:, 0, 0], theta[:, 1, 1] = 1 / zoom[:, 0], 1 / zoom[:, 1]
        grid = F.affine_grid(theta, (len(zoom), 1, SIDE, SIDE), align_corners=False)
        moved = lambda x: F.grid_sample(x.float(), grid, padding_mode="border", align_corners=False).to(x.dtype)
        shrunk = longer.rsqrt()
        by = torch.cat([zoom, torch.ones_like(zoom[:, :1])], 1) * shrunk[:, None]
        scene, truth = scene.clone(), truth.clone()
        scene[:, 0] *= shrunk
        truth[:, 2:4] *= zoom
        truth[:, 4:7] *= by
        return moved(samples), moved(outline[:, None])[:, 0], scene, apex * by, truth


def around(network, samples, scene, outline, torch):
    """Mean answers over four quarter turns, and the overlap with the outline."""
    total = {}
    for turn in range(4):
        apex = scene["apex"]
        turned = torch.rot90(samples, turn, (-2, -1))
        # Quarter by quarter the picture turns from u (columns) toward -v (rows): (u, v) becomes (v, -u).
        for _ in range(turn):
            apex = torch.stack([apex[:, 1], -apex[:, 0], apex[:, 2]], 1)
        out = network(turned, {**scene, "apex": apex})
        out["logits"] = torch.rot90(torch.sigmoid(out["logits"].float()), -turn, (-2, -1))
        for name in ("lean", "offset"):
            for _ in range(turn):
                u, v = out[name][:, 0], out[name][:, 1]
                out[name] = torch.cat([torch.stack([-v, u], 1), out[name][:, 2:]], 1)
        for name, value in out.items():
            total[name] = total.get(name, 0) + value.float() / 4
    inside = total.pop("logits")
    both = torch.minimum(inside, outline).sum((1, 2))
    total["overlap"] = 2 * both / (inside.sum((1, 2)) + outline.sum((1, 2)) + 1e-6)
    return total


def loss_of(out, outline, truth, torch):
    from torch.nn import functional as F

    there = truth[:, 0]
    share = there / there.sum().clamp_min(1)
    cross = F.binary_cross_entropy_with_logits(out["logits"], outline, reduction="none").mean((1, 2))
    inside = torch.sigmoid(out["logits"])
    dice = 1 - 2 * (inside * outline).sum((1, 2)) / (inside.pow(2).sum((1, 2)) + outline.pow(2).sum((1, 2)) + 1)
    error = (out["log_area"] - truth[:, 1]).abs()
    laplace = error * torch.exp(-out["log_spread"]) + out["log_spread"]
    lean = F.smooth_l1_loss(out["lean"] / 0.1, truth[:, 2:4] / 0.1, reduction="none").mean(1)
    offset = F.smooth_l1_loss(out["offset"], truth[:, 4:7], reduction="none").mean(1)
    orifice = F.binary_cross_entropy_with_logits(out["orifice"], there)
    each = 6 * cross + 0.5 * dice + 0.5 * laplace + error + 0.7 * lean + 0.7 * offset
    return (share * each).sum() + (cross * (1 - there)).mean() + 0.5 * orifice


def fit(args):
    import copy

    import torch

    from network import Network, reference, write

    torch.manual_seed(args.seed)
    np.random.seed(args.seed)
    device = f"cuda:{args.gpu}" if torch.cuda.is_available() else "cpu"
    torch.backends.cudnn.benchmark = True
    data = Data(args.patches, device, args.plain)
    geometry = data.labels["geometry"].astype(int)
    left = geometry % PARTS == args.leave
    train, test = np.flatnonzero(~left), np.flatnonzero(left)
    network = Network().to(device)
    if device != "cpu":
        network = network.to(memory_format=torch.channels_last)
    kept = copy.deepcopy(network)
    rate = 3e-3
    decays = [p for p in network.parameters() if p.dim() > 1]
    plain = [p for p in network.parameters() if p.dim() <= 1]
    optimiser = torch.optim.AdamW([{"params": decays, "weight_decay": 0.03}, {"params": plain, "weight_decay": 0.0}], lr=rate)
    cast = dict(device_type=device.split(":")[0], dtype=torch.bfloat16, enabled=device != "cpu")
    begin, step, told = time.time(), 0, 0.0
    if args.until:
        args.seconds = max(args.until - begin, 1)
    print(f"leave {args.leave}: {len(train)} patches, {args.seconds:.0f} s", flush=True)
    while True:
        order = torch.from_numpy(np.random.permutation(train)).to(device)
        for at in range(0, max(len(order) - BATCH, 0) + 1, BATCH):
            share = (time.time() - begin) / args.seconds
            if share >= 1:
                break
            now = rate * min(1, (step + 1) / 200) * 0.5 * (1 + math.cos(math.pi * share))
            for group in optimiser.param_groups:
                group["lr"] = now
            index = order[at : at + BATCH]
            power = (torch.rand(len(index), device=device) > 0.35).float()
            samples, scene, outline, truth = data.batch(index, power, True)
            with torch.autocast(**cast):
                out = network(samples, scene)
            loss = loss_of(out, outline, truth, torch)
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
            optimiser.step()
            step += 1
            keep = min(0.998, step / (step + 20))
            with torch.no_grad():
                for a, b in zip(kept.state_dict().values(), network.state_dict().values()):
                    if a.dtype.is_floating_point:
                        a.lerp_(b, 1 - keep)
                    else:
                        a.copy_(b)
            if share > told:
                told += 0.1
                print(f"leave {args.leave} {share:.0%} step {step} loss {loss.item():.3f}", flush=True)
        if share >= 1:
            break
    os.makedirs(args.out, exist_ok=True)
    kept = kept.eval()
    write(f"{args.out}/weights.bin", kept, [2.5] * 4)
    reference(f"{args.out}/reference.bin", kept)
    seen = np.sort(np.random.choice(train, min(6000, len(train)), replace=False))
    for file, index in (("left", test), ("seen", seen)):
        labels = {f"label_{k}": v[index].astype(np.float32) for k, v in data.labels.items()}
        np.savez_compressed(f"{args.out}/{file}.npz", steps=step, patches=len(train), index=index, **answers(kept, data, index, cast, torch), **labels)
    print(f"{step} steps on {len(train)} patches", flush=True)


def answers(network, data, index, cast, torch):
    """With power and without."""
    all_answers = {}
    for name, flag in (("power", 1.0), ("bare", 0.0)):
        found = {k: [] for k in ("log_area", "log_spread", "lean", "offset", "orifice", "overlap")}
        with torch.no_grad():
            for at in range(0, len(index), BATCH):
                rows = torch.from_numpy(index[at : at + BATCH]).to(data.device)
                samples, scene, outline, _ = data.batch(rows, torch.full((len(rows),), flag, device=data.device), False)
                with torch.autocast(**cast):
                    out = around(network, samples, scene, outline, torch)
                for k, values in found.items():
                    values.append(out[k].float().cpu().numpy())
        all_answers.update({f"{name}_{k}": np.concatenate(v) for k, v in found.items() if v})
    return all_answers


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("patches", nargs="+")
    parser.add_argument("out")
    parser.add_argument("--leave", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=200)
    parser.add_argument("--until", type=float, help="instead of --seconds: the moment to end at, seconds since 1970")
    parser.add_argument("--gpu", type=int, default=0)
    parser.add_argument("--plain", action="store_true", help="mirrored and turned, and no more")
    parser.add_argument("--seed", type=int, default=1)
    fit(parser.parse_args())
