"""Pictures beside the log: there before the command, and only those that the site wants."""

from __future__ import annotations

from collections.abc import Callable

from passage_cv.files import sha256_bytes
from passage_cv.gate.site import Audit, Pictures
from tests.service.bench import Bench


def test_pictures_lie_beside_the_log_before_the_command(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench()
    bench.show([*bench.river.one("AMS")])
    (line,) = bench.lines
    kept = [(bench.log.path.parent / path).read_bytes() for path in line.image_paths]
    assert len(kept) == 3
    assert tuple(sha256_bytes(data) for data in kept) == line.image_sha256s
    again = bench.controller.packages.at(bench.clock.now()).gate.decide(kept)  # type: ignore[union-attr]
    assert (again.action, again.score) == (line.action, line.score)


def test_a_site_may_keep_only_what_somebody_looks_at(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(pictures=Pictures(keep="held and audited"), audit=Audit(share=0.0))
    bench.show([*bench.river.one("AMS"), *bench.river.one("dull")])
    there = [(bench.log.path.parent / line.image_paths[0]).is_file() for line in bench.lines]
    assert there == [False, True]
    assert all(len(line.image_sha256s) == 3 for line in bench.lines)
