"""The loop that fine-tunes a network: one seed in, the same weights out, also after a kill.

Comes in: labelled pictures, those to learn from and those to predict. Goes out: the averaged weights, and logits of
the predicted pictures after every so many epochs. Every draw depends on (seed, fit, epoch) alone, so that a fit that
was cut off goes on from its last whole epoch as if nothing had happened (bit for bit on a CPU).
"""

from __future__ import annotations

import copy
import gc
import math
import os
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor, nn
from torch.nn import functional
from torch.nn.parallel import DistributedDataParallel

from passage_cv.errors import InputError
from passage_cv.progress import Progress, silent
from passage_cv.recognition.fold_networks import keep_average
from passage_cv.recognition.heads import ABSENT_GAP, Examples, Floats, Ints
from passage_cv.recognition.networks import Classifier, Origin, build_network
from passage_cv.recognition.on_card import CardEffects, sent
from passage_cv.recognition.pictures import Batch, Made, PictureLoader
from passage_cv.recognition.team import Team
from passage_cv.recognition.transforms import normalise
from passage_cv.recognition.tuned_settings import ScheduleSettings, TunedSettings

SAVE_EVERY_S = 30.0
_NEVER = 1e-9
"""Share of a class that no picture of the fit has: far too small ever to be named."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """One fit: which images are learnt from, which are predicted, and until when.

    ``number`` tells fits of one run apart (it enters every draw); ``last_epoch`` ends it before the schedule does.
    """

    number: int
    learn: Ints
    predict: Ints
    last_epoch: int


@dataclass(frozen=True, slots=True)
class Learnt:
    """The averaged network on the CPU, in evaluation mode, and logits (n_predicted, n_classes) by epoch."""

    network: Classifier
    origin: Origin
    logits: Mapping[int, Floats]


@dataclass(frozen=True, slots=True)
class Bench:
    """What all fits of a run share.

    ``images`` are names of pictures, to which ``examples`` (without features) belongs row by row. ``effects`` do on
    the card what the loader left out, None where it left out nothing. ``folder`` is where unfinished fits are kept,
    and the averaged weights after each judged epoch of a fit that predicts; None for nowhere.
    """

    settings: TunedSettings
    images: Sequence[str]
    examples: Examples
    loader: PictureLoader
    team: Team
    effects: CardEffects | None = None
    folder: Path | None = None
    save_every_s: float = SAVE_EVERY_S
    progress: Progress = field(default=silent)


def fit_network(bench: Bench, lesson: Lesson) -> Learnt:
    """Fine-tune one network.

    Raises
    ------
    InputError
        If weights or a picture cannot be used, or the batch cannot be shared evenly by the processes.
    """
    schedule, team = bench.settings.schedule, bench.team
    if schedule.batch_size % team.size:
        raise InputError(
            f"Batch of {schedule.batch_size} cannot be shared by {team.size} processes",
            where="schedule.batch_size",
            do="Give a multiple of the number of processes.",
        )
    course = _Course(bench, lesson)
    course.resume()
    made = moved_ahead(bench.loader.batches(course.plan()), team.device)
    step_batches = len(course.steps_of(0))
    for epoch in range(course.epoch, lesson.last_epoch):
        torch.manual_seed(_seed_of(bench, lesson, epoch, "dropout"))
        for step, batch in enumerate(course.steps_of(epoch)):
            course.learn(next(made), batch[team.rank :: team.size], epoch * step_batches + step, step_batches)
        if (epoch + 1) % schedule.judged_every == 0 or epoch + 1 == lesson.last_epoch:
            course.judged[epoch + 1] = course.predict(made)
            course.keep_average(epoch + 1)
        course.epoch = epoch + 1
        course.save(is_last=epoch + 1 == lesson.last_epoch)
        bench.progress(f"Fine-tuning, fit {lesson.number + 1}", epoch + 1, lesson.last_epoch)
    return course.finished()


class _Course:
    """The state of one fit between its steps."""

    def __init__(self, bench: Bench, lesson: Lesson) -> None:
        settings, team = bench.settings, bench.team
        self.bench, self.lesson, self.schedule = bench, lesson, settings.schedule
        self.epoch = 0
        self.judged: dict[int, Tensor] = {}
        self.saved_at = time.monotonic()
        torch.manual_seed(_seed_of(bench, lesson, 0, "weights"))
        network, self.origin = build_network(settings.network, bench.examples.n_classes)
        self.network = network.to(team.device).to(memory_format=torch.channels_last)
        self.average: Classifier = copy.deepcopy(self.network).eval().requires_grad_(False)  # noqa: FBT003
        self.means, self.moving = _floating(self.average), _floating(self.network)
        self.optimiser = _optimiser(self.network, self.schedule, fused=team.device.type == "cuda")
        self.batch_size = min(settings.schedule.batch_size, len(lesson.learn) // team.size * team.size)
        self.stepping = _steps_of(self.network, self.batch_size, settings, team).train()
        labels = bench.examples.label
        self.weight = _weights(bench.examples, lesson.learn)
        counts = np.bincount(labels[lesson.learn], self.weight[lesson.learn], minlength=bench.examples.n_classes)
        self.shares: Floats = np.asarray(counts / counts.sum(), dtype=np.float64)
        self.offset = torch.tensor(np.log(np.maximum(self.shares, _NEVER)), dtype=torch.float32, device=team.device)

    # -- which pictures, in which order ------------------------------------------------------------------------

    def steps_of(self, epoch: int) -> list[list[tuple[int, int]]]:
        """Rows and seeds of each batch of an epoch, for all processes together; what fills no batch is left out."""
        rng = np.random.default_rng(_seed_of(self.bench, self.lesson, epoch, "order"))
        learn = self.lesson.learn
        if self.schedule.balance == "sampling":
            chance = self.weight[learn] / self.shares[self.bench.examples.label[learn]]
            order = rng.choice(learn, size=len(learn), p=chance / chance.sum())
        else:
            order = rng.permutation(learn)
        seeds = rng.integers(2**62, size=len(order))
        size = self.batch_size
        items = list(zip(order.tolist(), seeds.tolist(), strict=True))
        return [items[start : start + size] for start in range(0, len(items) - size + 1, size)]

    def plan(self) -> Iterator[Batch]:
        """Every batch this process needs until the end, in order."""
        team = self.bench.team
        for epoch in range(self.epoch, self.lesson.last_epoch):
            for batch in self.steps_of(epoch):
                yield [(self.bench.images[row], seed) for row, seed in batch[team.rank :: team.size]]
            if (epoch + 1) % self.schedule.judged_every == 0 or epoch + 1 == self.lesson.last_epoch:
                yield from self._views()

    def _views(self) -> list[Batch]:
        own = [self.bench.images[row] for row in self.lesson.predict[self.bench.team.rank :: self.bench.team.size]]
        size = self.schedule.batch_size
        return [[(name, None) for name in own[start : start + size]] for start in range(0, len(own), size)]

    # -- learning and predicting -------------------------------------------------------------------------------

    def learn(self, made: Made, share: list[tuple[int, int]], step: int, steps_per_epoch: int) -> None:
        """One step: loss of this process's share, gradients of all, and the average moved along."""
        team = self.bench.team
        rows, seeds = zip(*share, strict=True)
        label = sent(self.bench.examples.label[list(rows)].astype(np.int64), team.device)
        for group in self.optimiser.param_groups:
            group["lr"] = learning_rate(step / steps_per_epoch, self.schedule)
        effects = self.bench.effects
        x = effects(*made, seeds) if effects else pixels_to_input(made.crops, team.device)
        with _precision(self.schedule, team):
            logits = self.stepping(x).float()
        if self.schedule.balance == "logits":
            logits = logits + self.offset
        loss = functional.cross_entropy(logits, label, reduction="none", label_smoothing=self.schedule.smoothing)
        if self.schedule.balance != "sampling":  # there, an individual's images are drawn by their weight
            loss = loss * sent(self.weight[list(rows)].astype(np.float32), team.device)
        self.optimiser.zero_grad(set_to_none=True)
        loss.mean().backward()  # type: ignore[no-untyped-call]
        self.optimiser.step()
        _move_average(self.means, self.moving, min(self.schedule.averaging, (1 + step) / (10 + step)))

    @torch.inference_mode()
    def predict(self, made: Iterator[Made]) -> Tensor:
        """Logits of the pictures to predict by the averaged network, in full precision as the gate has it."""
        team = self.bench.team
        rows = [self.average(pixels_to_input(next(made).crops, team.device)) for _ in self._views()]
        out = torch.zeros((len(self.lesson.predict), self.bench.examples.n_classes), device=team.device)
        if rows:
            out[team.rank :: team.size] = torch.cat(rows)
        return team.summed(out).cpu()

    def keep_average(self, epoch: int) -> None:
        """Keep the network that has just been judged: which epoch is best shows only once all folds are done."""
        folder = self.bench.folder
        if folder is not None and len(self.lesson.predict) and self.bench.team.is_first:
            keep_average(self.average, folder, self.lesson.number, epoch)

    def finished(self) -> Learnt:
        """What was learnt, with classes that were never seen below all others."""
        present = self.shares > 0
        logits = {}
        for epoch, rows in self.judged.items():
            one = rows.numpy().astype(np.float64)
            one[:, ~present] = one[:, present].min(axis=1, keepdims=True) - ABSENT_GAP
            logits[epoch] = one
        if self.network.__dict__.pop("forward", None):  # recorded launches hold the card's memory, in a circle
            gc.collect()
        return Learnt(self.average.to("cpu").to(memory_format=torch.contiguous_format), self.origin, logits)

    # -- a kill and after --------------------------------------------------------------------------------------

    def save(self, *, is_last: bool) -> None:
        """Keep everything after a whole epoch, every so often and at the end."""
        path, now = self._path(), time.monotonic()
        if path is None or not (is_last or now - self.saved_at >= self.bench.save_every_s):
            return
        if self.bench.team.is_first:
            path.parent.mkdir(parents=True, exist_ok=True)
            part = path.with_suffix(".part")
            torch.save(self._state(), part)
            os.replace(part, path)  # noqa: PTH105 - the name of one call that replaces at once
        self.saved_at = now

    def resume(self) -> None:
        """Go on from what an earlier process kept, if it kept anything."""
        path = self._path()
        self.bench.team.wait()
        if path is None or not path.is_file():
            return
        state: dict[str, Any] = torch.load(path, weights_only=True, map_location=self.bench.team.device)
        self.network.load_state_dict(state["network"])
        self.average.load_state_dict(state["average"])
        self.optimiser.load_state_dict(state["optimiser"])
        self.epoch = state["epoch"]
        self.judged = {epoch: rows.cpu() for epoch, rows in state["judged"].items()}

    def _state(self) -> dict[str, Any]:
        return {
            "epoch": self.epoch,
            "network": self.network.state_dict(),
            "average": self.average.state_dict(),
            "optimiser": self.optimiser.state_dict(),
            "judged": self.judged,
        }

    def _path(self) -> Path | None:
        return None if self.bench.folder is None else self.bench.folder / f"fit-{self.lesson.number}.pt"


@torch.inference_mode()
def features_of(network: nn.Module, bench: Bench) -> npt.NDArray[np.float32]:
    """A network's features of every image of the bench as the gate would see it, (n_images, n_features).

    Each process looks at its share. They are in full precision, and ``network`` is left on the device.
    """
    team, size = bench.team, bench.settings.schedule.batch_size
    own: Batch = [(name, None) for name in bench.images[team.rank :: team.size]]
    made = bench.loader.batches(own[start : start + size] for start in range(0, len(own), size))
    network = network.to(team.device).eval()
    rows = torch.cat([network(pixels_to_input(one.crops, team.device)) for one in made])
    out = torch.zeros((len(bench.images), rows.shape[1]), device=team.device)
    out[team.rank :: team.size] = rows
    return np.asarray(team.summed(out).cpu().numpy(), dtype=np.float32)


def learning_rate(epochs_done: float, schedule: ScheduleSettings) -> float:
    """Rises in a line over the warm-up, then falls to 0 along half a cosine.

    Examples
    --------
    >>> from passage_cv.config import configs_folder, read_settings
    >>> schedule = read_settings(configs_folder() / "train" / "tuned.toml", TunedSettings).schedule
    >>> learning_rate(schedule.warmup_epochs, schedule) == schedule.learning_rate
    True
    >>> round(learning_rate(schedule.epochs, schedule), 12)
    0.0
    """
    if epochs_done < schedule.warmup_epochs:
        return schedule.learning_rate * epochs_done / schedule.warmup_epochs
    done = (epochs_done - schedule.warmup_epochs) / (schedule.epochs - schedule.warmup_epochs)
    return schedule.learning_rate * 0.5 * (1 + math.cos(math.pi * done))


def moved_ahead(made: Iterator[Made], device: torch.device) -> Iterator[Made]:
    """Each batch on the device; on a card it is copied while the one before it is worked on."""
    if device.type != "cuda":
        yield from made
        return
    stream = torch.cuda.Stream(device)  # type: ignore[no-untyped-call]
    waiting: tuple[Made, torch.cuda.Event] | None = None
    for batch in made:
        with torch.cuda.stream(stream):
            copied = Made(*(part.to(device, non_blocking=True) for part in batch))
            arrived = torch.cuda.Event()  # type: ignore[no-untyped-call]
            arrived.record(stream)
        if waiting is not None:
            yield _ready(*waiting)
        waiting = copied, arrived
    if waiting is not None:
        yield _ready(*waiting)


def _ready(copied: Made, arrived: torch.cuda.Event) -> Made:
    """The copy, once the stream that works on it waits for it and keeps its memory until then."""
    stream = torch.cuda.current_stream(copied.crops.device)
    stream.wait_event(arrived)
    for part in copied:
        part.record_stream(stream)
    return copied


def pixels_to_input(crops: Tensor, device: torch.device) -> Tensor:
    """8-bit crops (n, size, size, 3) as the network's input (n, 3, size, size), already channels-last in memory."""
    moved = crops.to(device, non_blocking=True)
    return normalise(moved.permute(0, 3, 1, 2).to(torch.float32))


def _precision(schedule: ScheduleSettings, team: Team) -> torch.autocast:
    """Mixed on a card only: a CPU gains nothing and loses the exactness of a resumed fit."""
    is_mixed = schedule.precision == "bfloat16" and team.device.type == "cuda"
    return torch.autocast(team.device.type, torch.bfloat16, enabled=is_mixed, cache_enabled=False)


def _steps_of(network: Classifier, batch_size: int, settings: TunedSettings, team: Team) -> nn.Module:
    """What a step calls: the network itself, all processes' together, or on one card its recorded launches.

    A small network on one card waits for Python to launch its kernels, several hundred a step; recorded once, they
    are launched together.
    """
    has_card = team.device.type == "cuda"
    if team.size > 1:
        return DistributedDataParallel(network, device_ids=[team.device] if has_card else None)
    if not has_card:
        return network
    side = settings.crop.size
    like = torch.zeros((batch_size, 3, side, side), device=team.device)
    before = {name: one.clone() for name, one in network.state_dict().items()}
    torch.autograd.graph.set_warn_on_accumulate_grad_stream_mismatch(False)
    with _precision(settings.schedule, team):
        torch.cuda.make_graphed_callables(network.train(), (like.contiguous(memory_format=torch.channels_last),))
    network.load_state_dict(before)  # recording has moved the normalisation layers' statistics
    return network


def _weights(examples: Examples, learn: Ints) -> npt.NDArray[np.float64]:
    """Weight of each image such that every individual counts alike, 1 on average over those learnt from."""
    return np.asarray(examples.image_weight / examples.image_weight[learn].mean())


def _optimiser(network: nn.Module, schedule: ScheduleSettings, *, fused: bool) -> torch.optim.Optimizer:
    """AdamW; biases and normalisation layers are not drawn to zero."""
    drawn = [one for one in network.parameters() if one.requires_grad and one.ndim > 1]
    free = [one for one in network.parameters() if one.requires_grad and one.ndim <= 1]
    groups = [{"params": drawn, "weight_decay": schedule.weight_decay}, {"params": free, "weight_decay": 0.0}]
    return torch.optim.AdamW(groups, lr=schedule.learning_rate, fused=fused)


def _floating(network: nn.Module) -> list[Tensor]:
    """Weights and normalisation statistics: all that an average is taken of."""
    return [one for one in network.state_dict().values() if one.dtype.is_floating_point]


@torch.no_grad()
def _move_average(means: list[Tensor], moving: list[Tensor], decay: float) -> None:
    """Move running means towards the weights as they are now."""
    torch._foreach_lerp_(means, moving, 1 - decay)


def _seed_of(bench: Bench, lesson: Lesson, epoch: int, purpose: str) -> int:
    """A seed of its own for each use of chance."""
    words = [bench.settings.seed, lesson.number, epoch, *purpose.encode()]
    return int(np.random.SeedSequence(words).generate_state(1)[0])
