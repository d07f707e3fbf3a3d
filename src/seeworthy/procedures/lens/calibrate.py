"""Lens calibration from views of a flat board: bundle adjustment, honest scatter.

Gauss–Newton with the poses eliminated view by view (Schur complement). The
uncertainty is taken from the scatter between views, because the corners of one view
share blur, encoding and paper errors.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.optics.lens import COEFFICIENTS, Kind, LensCamera
from seeworthy.optics.plane import direct_homography
from seeworthy.procedures.lens.board import Board, BoardView, flat_board

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LensForm:
    """A lens model: its kind and how many coefficients are free."""

    name: str
    kind: Kind
    free: int


FORMS = (
    LensForm("pinhole", "pinhole", 4),
    LensForm("pinhole-k3", "pinhole", 5),
    LensForm("fisheye", "fisheye", 4),
)
"""Simplest first; the first two are pinhole with k1, k2, p1, p2 and the same with k3."""


@dataclass(frozen=True)
class LensFit:
    """A fitted lens.

    Attributes:
        poses: ndarray (V, 6). Rotation vector and translation (mm) of each view.
        residuals: tuple of ndarray (n, 2). Found minus predicted, px, per view.
        curvature: ndarray (p, p). Normal matrix of the intrinsics, poses eliminated.
        scores: ndarray (V, p). Gradient of each view for the intrinsics, poses eliminated.
        shares: ndarray (V, p, p). Each view's part of `curvature`.
        board: How it is bowed. Where that was fitted, the p parameters are the intrinsics and its
            three.
    """

    form: LensForm
    camera: LensCamera
    poses: Array
    residuals: tuple[Array, ...]
    curvature: Array
    scores: Array
    shares: Array
    board: Board

    @property
    def rms(self) -> float:
        """Root mean square distance between found and predicted corners, px."""
        every = np.concatenate(self.residuals)
        return float(np.sqrt(np.mean(np.sum(every**2, axis=1))))

    def view_rms(self) -> Array:
        """Return the same for every view."""
        return np.array([np.sqrt(np.mean(np.sum(r**2, axis=1))) for r in self.residuals])

    def normals(self) -> Array:
        """Return the board's normal in the camera's frame for every view, (V, 3)."""
        return np.array([cv2.Rodrigues(pose[:3])[0][:, 2] for pose in self.poses])

    def influence(self) -> Array:
        """Return what each view adds to the error of the intrinsics, (V, p).

        Scores scaled for the view's own leverage (the HC2 form of MacKinnon and White,
        J. Econometrics 29:305, 1985, per view): their squares sum to the covariance.
        """
        lower = np.linalg.cholesky(self.curvature)
        inverse = np.linalg.inv(lower)
        rows = []
        for score, share in zip(self.scores, self.shares, strict=True):
            values, axes = np.linalg.eigh(inverse @ share @ inverse.T)
            # A view that alone fixes a direction says nothing of its own error there.
            gain = 1 / np.sqrt(1 - np.clip(values, 0, 0.98))
            rows.append(inverse.T @ (axes @ (gain * (axes.T @ (inverse @ score)))))
        return np.array(rows)

    def covariance(self) -> Array:
        """Return the covariance of the intrinsics as if corner errors were independent."""
        every = np.concatenate(self.residuals).ravel()
        dof = max(1, every.size - self.curvature.shape[0] - 6 * len(self.poses))
        plain: Array = np.linalg.pinv(self.curvature) * float(every @ every) / dof
        return plain

    def uncertainty(self, of: Callable[[LensCamera], Array]) -> Array:
        """Return standard uncertainties of functions of the camera, (m,).

        The larger of the scatter between views and the plain covariance; NaN where the
        functions have no value next to the fitted camera.
        """
        slope = self.gradient(of)
        views = np.sqrt(np.sum((self.influence() @ slope.T) ** 2, axis=0))
        plain = np.sqrt(np.maximum(0.0, np.einsum("mi,ij,mj->m", slope, self.covariance(), slope)))
        worst: Array = np.maximum(views, plain)
        return worst

    def gradient(self, of: Callable[[LensCamera], Array]) -> Array:
        """Return derivatives (m, p) of functions of the camera for the free intrinsics."""
        base = _free(self.camera, self.form)
        sigma = np.sqrt(np.maximum(np.diag(self.covariance()), 1e-20))[: len(base)]
        columns = []
        for i, size in enumerate(sigma):
            step = np.zeros(len(base))
            step[i] = 0.2 * size
            high = of(_camera(self.form, self.camera, base + step))
            low = of(_camera(self.form, self.camera, base - step))
            columns.append((high - low) / (0.4 * size))
        # The board's bow is no property of the camera, but its doubt is one of the intrinsics.
        still = [np.zeros_like(columns[0])] * (self.curvature.shape[0] - len(base))
        return np.column_stack([*columns, *still])


def _free(camera: LensCamera, form: LensForm) -> Array:
    return camera.vector()[: 4 + form.free]


def _camera(form: LensForm, like: LensCamera, free: Array) -> LensCamera:
    full = np.zeros(4 + len(COEFFICIENTS[form.kind]))
    full[: len(free)] = free
    return LensCamera.of_vector(form.kind, like.width, like.height, full)


def _project(
    view: BoardView, camera: LensCamera, pose: Array, form: LensForm, board: Board
) -> tuple[Array, Array, Array] | None:
    """Return predicted px, and the Jacobians for intrinsics (2n, p) and pose (2n, 6).

    Where the board's bow is free its three columns stand behind the intrinsics.
    """
    shapes = board.shapes(view.plane)
    points = np.column_stack([view.plane, shapes @ board.bow]).reshape(-1, 1, 3)
    matrix = np.array([[camera.fx, 0, camera.cx], [0, camera.fy, camera.cy], [0, 0, 1.0]])
    rvec, tvec = pose[:3].reshape(3, 1), pose[3:].reshape(3, 1)
    k = np.array(camera.k)
    if form.kind == "pinhole":
        px, jac = cv2.projectPoints(points, rvec, tvec, matrix, k)[:2]
        of_pose, of_lens = jac[:, :6], jac[:, 6 : 10 + form.free]
    else:
        px, jac = cv2.fisheye.projectPoints(points, rvec, tvec, matrix, k)[:2]
        of_pose, of_lens = jac[:, 8:14], jac[:, : 4 + form.free]
    if not np.isfinite(px).all():
        return None
    if board.free:
        # Off the board is along its normal in the camera's frame, as a translation.
        off = of_pose[:, 3:] @ cv2.Rodrigues(rvec)[0][:, 2]
        of_lens = np.column_stack([of_lens, off[:, None] * np.repeat(shapes, 2, axis=0)])
    return (
        np.asarray(px, np.float64).reshape(-1, 2),
        np.asarray(of_lens, np.float64),
        np.asarray(of_pose, np.float64),
    )


def start_poses(views: Sequence[BoardView], camera: LensCamera) -> Array | None:
    """Return poses by direct solution for given intrinsics, None where one view defies it."""
    poses = []
    for view in views:
        flat = camera.undistort(view.image)
        if not np.isfinite(flat).all():
            return None
        points = np.column_stack([view.plane, np.zeros(len(view.plane))])
        ok, rvec, tvec = cv2.solvePnP(
            points, flat.reshape(-1, 1, 2), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
        )
        if not ok:
            return None
        poses.append(np.concatenate([rvec.ravel(), tvec.ravel()]))
    return np.array(poses)


@dataclass(slots=True)
class _State:
    camera: LensCamera
    poses: Array
    cost: float
    residuals: list[Array]
    reduced: Array
    scores: Array
    shares: Array
    back: list[tuple[Array, Array, Array]]
    board: Board
    pull: Array


def _evaluate(
    views: Sequence[BoardView],
    camera: LensCamera,
    poses: Array,
    form: LensForm,
    weights: Array,
    board: Board,
) -> _State | None:
    residuals, scores, shares, back = [], [], [], []
    cost = 0.0
    for view, pose, weight in zip(views, poses, weights, strict=True):
        seen = _project(view, camera, pose, form, board)
        if seen is None:
            return None
        px, a, b = seen
        off = view.image - px
        r = off.ravel()
        gain = np.linalg.solve(b.T @ b + 1e-9 * np.diag(np.diag(b.T @ b)), b.T)
        ga, gr = gain @ a, gain @ r
        clean = a - b @ ga
        shares.append(weight * clean.T @ clean)
        scores.append(weight * clean.T @ r)
        residuals.append(off)
        back.append((ga, gr, b))
        cost += float(weight * (r @ r))
    stacked = np.array(shares)
    tight, pull, strain = board.prior(stacked.shape[1])
    return _State(
        camera, poses, cost + strain, residuals, stacked.sum(axis=0) + tight, np.array(scores),
        stacked, back, board, pull,
    )  # fmt: skip


def refine(
    views: Sequence[BoardView],
    camera: LensCamera,
    poses: Array,
    form: LensForm,
    *,
    steps: int = 40,
    weights: Array | None = None,
    board: Board | None = None,
) -> LensFit | None:
    """Run damped Gauss–Newton from a start; None where it leaves the model's range."""
    w = np.ones(len(views)) if weights is None else weights
    state = _evaluate(views, camera, poses, form, w, board or flat_board(views))
    damping = 1e-4
    for _ in range(steps):
        if state is None:
            return None
        normal = state.reduced + damping * np.diag(np.diag(state.reduced) + 1e-12)
        move = np.linalg.solve(normal, state.scores.sum(axis=0) + state.pull)
        held = _free(state.camera, form)
        lens = _camera(form, state.camera, held + move[: len(held)])
        shifts = np.array([gr - ga @ move for ga, gr, _ in state.back])
        bowed = state.board.moved(move[len(held) :])
        trial = _evaluate(views, lens, state.poses + shifts, form, w, bowed)
        if trial is not None and trial.cost <= state.cost:
            done = state.cost - trial.cost < 1e-9 * state.cost
            state, damping = trial, max(damping / 5, 1e-9)
            if done:
                break
        else:
            damping *= 8
            if damping > 1e6:
                break
    if state is None:
        return None
    return LensFit(
        form, state.camera, state.poses, tuple(state.residuals), state.reduced, state.scores,
        state.shares, state.board,
    )  # fmt: skip


def zhang_focal(views: Sequence[BoardView], width: int, height: int) -> float | None:
    """Return a first focal length in px from homographies (Zhang, IEEE TPAMI 22:1330, 2000).

    Principal point in the middle, square pixels, no distortion.
    """
    rows, sides = [], []
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    for view in views:
        h = direct_homography(view.plane, (view.image - centre) / width)
        h = h / np.linalg.norm(h[:, :2])
        a, b = h[:, 0], h[:, 1]
        rows += [a[0] * b[0] + a[1] * b[1], a[0] ** 2 + a[1] ** 2 - b[0] ** 2 - b[1] ** 2]
        sides += [-a[2] * b[2], -(a[2] ** 2) + b[2] ** 2]
    x, y = np.array(rows), np.array(sides)
    inverse = float(x @ y) / float(x @ x)
    return width / np.sqrt(inverse) if inverse > 0 else None


def calibrate(
    views: Sequence[BoardView], width: int, height: int, form: LensForm, near: LensFit | None = None
) -> LensFit | None:
    """Fit one model from several first guesses; None where none converges.

    Args:
        views: At least three, at different angles.
        near: A fit of a simpler model of the same kind: the only start that is tried then.
    """
    if near is not None and near.form.kind == form.kind:
        return refine(views, near.camera, near.poses, form, board=near.board)
    first = zhang_focal(views, width, height)
    guesses = [first] if first is not None and 0.2 * width < first < 6 * width else []
    guesses += [0.5 * width, 0.8 * width, 1.3 * width]
    best: LensFit | None = None
    for focal in guesses:
        zeros = (0.0,) * len(COEFFICIENTS[form.kind])
        centre = (width - 1) / 2, (height - 1) / 2
        camera = LensCamera(form.kind, width, height, focal, focal, *centre, zeros)
        poses = start_poses(views, camera)
        fit = refine(views, camera, poses, form) if poses is not None else None
        if fit is None or not fit.camera.fx > 0:
            continue
        if best is None or fit.rms < best.rms:
            settled = best is not None and best.rms - fit.rms < 1e-3 * best.rms
            best = fit
            if settled:
                break
        elif fit.rms < 1.001 * best.rms:
            break
    if best is None:
        return None
    # From the flat board's solution, where the bow is a small thing; from afar it runs wild.
    bowed = replace(best.board, free=True)
    return refine(views, best.camera, best.poses, form, board=bowed) or best


def held_out(views: Sequence[BoardView], fit: LensFit, folds: int = 4) -> float:
    """Return the rms (px) of views that took no part in the fit; only their pose is free."""
    count = len(views)
    fold = np.arange(count) % min(folds, count)
    total, corners = 0.0, 0
    for f in np.unique(fold):
        weights = (fold != f).astype(float)
        part = refine(
            views, fit.camera, fit.poses, fit.form, steps=8, weights=weights, board=fit.board
        )
        if part is None:
            return float("inf")
        for i in map(int, np.flatnonzero(fold == f)):
            pose = fit.poses[i]
            for _ in range(4):
                seen = _project(views[i], part.camera, pose, fit.form, part.board)
                if seen is None:
                    return float("inf")
                px, _, b = seen
                off = views[i].image - px
                pose = pose + np.linalg.lstsq(b, off.ravel(), rcond=None)[0]
            total += float(np.sum(off**2))
            corners += len(off)
    return float(np.sqrt(total / corners))


def choose(
    views: Sequence[BoardView], width: int, height: int
) -> tuple[list[LensFit], dict[str, float]]:
    """Fit every model and order them by how well they predict held-out views.

    Returns:
        fits: Best first.
        errors: Held-out rms in px by model name.

    Raises:
        ValueError: No model converges.
    """
    fits: list[LensFit] = []
    errors: dict[str, float] = {}
    for form in FORMS:
        near = next((f for f in fits if f.form.kind == form.kind), None)
        fit = calibrate(views, width, height, form, near)
        if fit is None:
            continue
        error = held_out(views, fit)
        if np.isfinite(error):
            errors[form.name] = error
            fits.append(fit)
    if not fits:
        raise ValueError("no lens model fits the views")
    return sorted(fits, key=lambda f: errors[f.form.name]), errors
