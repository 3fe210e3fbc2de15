"""Learn where the joints are against the pose network's landmarks: makes live/joints.npz from rendered shots.

    python -m tests.studio.learn_joints --shots DIR [--count 766] [--loose 253] [--anywhere 240]
        [--varied 603] [--seed 21] [--cache DIR] [--out FILE]

Renders random shots (random_shots.py, cameras on any bearing of the shooting side), some whose joints are loosened
(loosen.py), some from cameras anywhere (practices.py; three of four on the guide hand's side, every fourth loosened),
and some by the ways of other players (random_shots.varied; every third from anywhere, every fourth loosened), straight
into the pose network, keeps in --shots what was seen beside the truth, and fits an ensemble of small networks: from
the features of rimward.live.joints to the way from landmark to joint in the picture and the joint's depth behind the
hips, each with its error. A second run goes on where the first ended. A player gets the stature of the nearest body in
--cache (random_shots.py fills it). Each member leaves a part of the shots out; what it gets wrong there sets how wide
the stated errors are and how they hang together, and is printed. Rendering takes about 6 s a shot on one core,
learning some minutes.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import torch

from rimward.live.ball import BallTracker
from rimward.live.body import ScaleTracker
from rimward.live.joints import FAR, JOINTS, features, landmark
from rimward.live.lifting import seen
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.pose_model import model_path
from rimward.live.records import Frame, Observation
from rimward.live.skeleton import INDEX

from ..accuracy import exact
from .ball import BALL_RADIUS_M
from .loosen import loosened
from .pose import rot_x
from .practices import camera
from .random_shots import script, varied
from .render import CACHE, Picture, Renderer, frame_samples, shot_camera, write_sidecars
from .session import Player, Script, compile_script
from .shot import Shot

BEFORE_S, AFTER_S = 1.8, 0.75
"""What is rendered round the release; the network needs a moment to settle."""
USED_S = (-1.4, 0.6)
FIRST_LOOSE, FIRST_ANYWHERE, FIRST_VARIED, LOOSE_SEED = 1500, 5000, 7000, 100_000
"""Loosened shots have numbers from here on, those with cameras anywhere, and those by other players' ways."""
SMALL = (960, 540)
"""No picture is larger: the network looks at 256 pixels."""
HIDDEN, MEMBERS, ROUNDS, BATCH, RATE, DECAY = 256, 4, 60, 256, 2e-3, 1.0
DROPPED_INPUT, DROPPED, NOISE = 0.0, 0.05, 0.02
"""Shares of inputs and hidden units left out while learning, and noise in spreads of each input: against knowing the
shots by heart."""
LEAST_SQUARE = 0.05
"""What is believed of combinations of errors that never occurred, in stated sigmas."""
FIRST_ROUNDS = 5
"""Without stated errors, which would explain everything away at first."""


@dataclass(frozen=True)
class Look:
    """A rendered shot as the network saw it, with its truth."""

    hand: str
    stature_m: float
    size: tuple[int, int]
    release_s: float
    observations: list[Observation]
    truth: dict[str, np.ndarray]
    """`K`, `R`, `t`, `fps`, `names`, `joints` (T, J, 3), `joints_px` (T, J, 2) of the clip's sidecar."""


def nearest(player: Player, cache: Path) -> Player:
    """The same player with the stature of the most similar body in the cache: building a new one takes a minute."""
    kept = [int(file.stem.split("_")[2][:-2]) / 1000 for file in cache.glob(f"body_{player.build}_*mm.npz")]
    return replace(player, stature_m=min(kept, key=lambda m: abs(m - player.stature_m), default=player.stature_m))


def planned(seed: int, k: int) -> tuple[Script, Picture, bool]:
    """Shot k, how it is filmed, and whether its joints are loosened."""
    plan, _, picture = script(seed, k, around=True)
    loose = k >= FIRST_LOOSE
    if k >= FIRST_VARIED:
        shot = Shot(**{name: value for name, value in plan.acts[0].items() if name != "do"})
        shot = varied(np.random.default_rng([seed, k, 4]), shot)
        plan = replace(plan, acts=[{"do": "shot", **asdict(shot)}])
    if k >= FIRST_ANYWHERE:
        loose = k % 4 == 3
    if k >= FIRST_ANYWHERE and (k < FIRST_VARIED or k % 3 == 2):
        random = np.random.default_rng([seed, k, 3])
        picture = replace(camera(random, plan.player.stature_m), seed=k)
        bearing = random.uniform(0.0, 180.0) * (-1.0 if k % 4 else 1.0)
        picture = replace(picture, placement=replace(picture.placement, bearing_deg=float(bearing)))
        plan = replace(plan, place="gym" if abs(bearing) >= 90 else plan.place)
    if picture.width > SMALL[0]:
        picture = replace(picture, width=SMALL[0], height=SMALL[1])
    return plan, picture, loose


def look(seed: int, k: int, model: Path, cache: Path, scratch: Path) -> Look:
    """Render shot k and show it to the pose network and the search for the ball."""
    plan, picture, loose = planned(seed, k)
    plan = replace(plan, player=nearest(plan.player, cache))
    motion = compile_script(plan, cache)
    if loose:
        motion = loosened(motion, np.random.default_rng(LOOSE_SEED + k))
    cam = shot_camera(plan, picture)
    sheet = write_sidecars(plan, motion, cam, picture, scratch / "shot")["shots"][0]
    with np.load(scratch / "shot.npz") as data:
        truth = {name: data[name] for name in ("K", "R", "t", "fps", "names", "joints", "joints_px")}
    release_s = sheet["events_s"]["t_release"]
    renderer = Renderer([(motion.body, plan.look)], plan.place, cam.width, cam.height, picture.gain, None, 0)
    network = MediapipePose(model)
    ball, scale = BallTracker(2 * BALL_RADIUS_M), ScaleTracker(plan.player.stature_m)
    random = np.random.default_rng(picture.seed)
    root = motion.heads[:, motion.body.i("root")]
    observations: list[Observation] = []
    for index, sample in enumerate(frame_samples(motion, picture.fps)):
        t_s = index / picture.fps
        if not release_s - BEFORE_S <= t_s <= release_s + AFTER_S:
            continue
        renderer.figures[0].pose(motion.rotation[sample], motion.heads[sample])
        turn = rot_x(motion.spin[sample : sample + 1] + 0.5)[0]
        drawn = renderer.draw(cam, motion.ball[sample], turn, np.append(root[sample, :2], 1.0))
        noisy = drawn + random.normal(0, picture.noise, drawn.shape).astype(np.float32)
        image = np.ascontiguousarray(np.clip(noisy, 0, 255).astype(np.uint8)[:, :, ::-1])
        people = network.estimate(Frame(index, t_s, image), 1)
        pose = people[0] if people else None
        found = ball.update(image, t_s, pose, scale.update(t_s, pose))
        observations.append(Observation(index, t_s, pose, found))
    network.close()
    size = (cam.width, cam.height)
    return Look(plan.player.hand, plan.player.stature_m, size, release_s, observations, truth)


def samples(shot: Look) -> tuple[np.ndarray, np.ndarray]:
    """Features (N, F) and what is to be known (N, 48), in statures."""
    calibration = exact(shot.truth, shot.size)
    window = seen(shot.observations, calibration)
    if window is None:
        return np.zeros((0, 0)), np.zeros((0, 3 * len(JOINTS)))
    names = [str(name) for name in shot.truth["names"]]
    of = [landmark(side, joint, shot.hand) for side, joint in JOINTS]
    at = [names.index(name if name in names else f"surf_{name.replace('foot_index', 'big_toe')}") for name in of]
    joints, pixels = shot.truth["joints"].astype(float), shot.truth["joints_px"].astype(float)
    frames = np.minimum(np.round(window.t_s * float(shot.truth["fps"])).astype(int), len(joints) - 1)
    flip = [-1.0 if shot.hand == "left" else 1.0, 1.0]
    shift = (pixels[frames][:, at] - window.points_px[:, [INDEX[name] for name in of]]) / window.stature_px * flip
    depth = joints[frames] @ shot.truth["R"][2]
    depth -= depth[:, [names.index("left_hip"), names.index("right_hip")]].mean(1, keepdims=True)
    x = features(window, calibration, shot.stature_m, shot.hand)
    y = np.concatenate([shift.reshape(len(frames), -1), depth[:, at] / shot.stature_m], axis=1)
    since = window.t_s - shot.release_s
    use = np.isfinite(x).all(1) & (since >= USED_S[0]) & (since <= USED_S[1])
    return x[use], y[use]


class Member(torch.nn.Module):
    """Two hidden layers; means and logarithms of errors, in spreads of what is to be known."""

    def __init__(self, inputs: int, outputs: int) -> None:
        super().__init__()
        self.first, self.second = torch.nn.Linear(inputs, HIDDEN), torch.nn.Linear(HIDDEN, HIDDEN)
        self.mean, self.sigma = torch.nn.Linear(HIDDEN, outputs), torch.nn.Linear(HIDDEN, outputs)
        self.drop_input, self.drop = torch.nn.Dropout(DROPPED_INPUT), torch.nn.Dropout(DROPPED)
        torch.nn.init.zeros_(self.sigma.weight)

    def forward(self, x: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        hidden = self.drop(torch.nn.functional.silu(self.first(self.drop_input(x))))
        hidden = self.drop(torch.nn.functional.silu(self.second(hidden)))
        return self.mean(hidden), self.sigma(hidden).clamp(-3.0, 2.0)


def fit(x: np.ndarray, y: np.ndarray, seed: int) -> Member:
    torch.manual_seed(seed)
    inputs, wanted = torch.tensor(x, dtype=torch.float32), torch.tensor(y, dtype=torch.float32)
    member = Member(x.shape[1], y.shape[1])
    optimizer = torch.optim.AdamW(member.parameters(), RATE, weight_decay=DECAY)
    schedule = torch.optim.lr_scheduler.CosineAnnealingLR(optimizer, ROUNDS * -(-len(x) // BATCH))
    for turn in range(ROUNDS):
        for some in torch.randperm(len(x)).split(BATCH):
            mean, sigma = member(inputs[some] + NOISE * torch.randn(len(some), x.shape[1]))
            off = mean - wanted[some]
            loss = (off**2).mean() if turn < FIRST_ROUNDS else (0.5 * (off * torch.exp(-sigma)) ** 2 + sigma).mean()
            optimizer.zero_grad()
            loss.backward()
            optimizer.step()
            schedule.step()
    return member.eval()


def learn(shots: list[tuple[np.ndarray, np.ndarray]]) -> dict[str, np.ndarray]:
    """The arrays that rimward.live.joints reads."""
    x, y = (np.concatenate(part) for part in zip(*shots, strict=True))
    number = np.concatenate([np.full(len(one[0]), k) for k, one in enumerate(shots)])
    mean, spread, out_mean, out_spread = x.mean(0), x.std(0) + 1e-3, y.mean(0), y.std(0) + 1e-5
    x, y = np.clip((x - mean) / spread, -FAR, FAR), (y - out_mean) / out_spread
    left_out = np.random.default_rng(0).permutation(len(shots)) % MEMBERS
    members, ratio, whose = [], [], []
    for i in range(MEMBERS):
        apart = left_out[number] == i
        members.append(fit(x[~apart], y[~apart], i))
        with torch.no_grad():
            guess, sigma = (part.numpy() for part in members[-1](torch.tensor(x[apart], dtype=torch.float32)))
        ratio.append((guess - y[apart]) / np.exp(sigma))
        whose.append(number[apart])
    ratios, shot = np.concatenate(ratio), np.concatenate(whose)
    honest = np.sqrt((ratios**2).mean(0))
    true = ratios / honest
    common = np.array([true[shot == k].mean(0) for k in np.unique(shot)])
    n = 2 * len(JOINTS)
    print(
        f"left-out shots: errors are {honest[:n].mean():.2f} (picture), {honest[n:].mean():.2f} (depth) of those stated"
    )
    held = (common**2).mean(0)
    print(f"of their squares {held[:n].mean():.2f} and {held[n:].mean():.2f} hold for a whole shot")
    weights = {name: np.stack([m.state_dict()[name].numpy() for m in members]) for name in members[0].state_dict()}
    named = {"first": "1", "second": "2", "mean": "_mean", "sigma": "_sigma"}
    half = {
        f"{kind[0]}{short}": weights[f"{long}.{kind}"].astype(np.float16)
        for long, short in named.items()
        for kind in ("weight", "bias")
    }
    fixed = {"mean": mean, "spread": spread, "out_mean": out_mean, "out_spread": out_spread}
    fixed["honest"] = np.maximum(honest, 1.0)
    fixed |= together(true[:, n:], common[:, n:])
    return {name: value.astype(np.float32) for name, value in fixed.items()} | half


def together(ratios: np.ndarray, common: np.ndarray) -> dict[str, np.ndarray]:
    """rimward.live.joints.Together from errors in stated sigmas: (N, 16) of frames and (S, 16), the means of shots."""
    square, ways = np.linalg.eigh(ratios.T @ ratios / len(ratios))
    square = np.maximum(square, LEAST_SQUARE)
    shared = np.einsum("ik,si,sj,jk->k", ways, common, common, ways) / len(common)
    spread = np.sqrt(np.clip(shared, 0.05 * square, 0.95 * square))
    return {
        "together_ways": ways,
        "together_spread": spread,
        "together_give": np.sqrt(square - spread**2),
    }


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    p = argparse.ArgumentParser(prog="python -m tests.studio.learn_joints", description=__doc__)
    p.add_argument("--shots", type=Path, required=True, help="where what was seen is kept")
    p.add_argument("--count", type=int, default=766, help="shots as planned")
    p.add_argument("--loose", type=int, default=253, help="shots whose joints are loosened")
    p.add_argument("--anywhere", type=int, default=240, help="shots from cameras anywhere")
    p.add_argument("--varied", type=int, default=603, help="shots by other players' ways, a third from anywhere")
    p.add_argument("--seed", type=int, default=21)
    p.add_argument("--cache", type=Path, default=CACHE, help="where the bodies are kept, else $STUDIO_CACHE")
    p.add_argument("--out", type=Path, default=Path("live/joints.npz"))
    args = p.parse_args(argv)
    args.shots.mkdir(parents=True, exist_ok=True)
    model = model_path(Path(os.environ["RIMWARD_DATA_DIR"]))
    shots = []
    kinds = (
        (0, args.count),
        (FIRST_LOOSE, args.loose),
        (FIRST_ANYWHERE, args.anywhere),
        (FIRST_VARIED, args.varied),
    )
    numbers = [first + k for first, count in kinds for k in range(count)]
    for k in numbers:
        kept = args.shots / f"{args.seed}_{k:04d}.npz"
        if not kept.is_file():
            x, y = samples(look(args.seed, k, model, args.cache, args.shots))
            np.savez_compressed(kept, x=x, y=y)
            print(f"shot {k}: {len(x)} frames", flush=True)
        with np.load(kept) as data:
            shots.append((data["x"], data["y"]))
    np.savez_compressed(args.out, **learn([shot for shot in shots if len(shot[0])]))


if __name__ == "__main__":
    main()
