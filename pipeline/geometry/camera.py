"""The camera: from the gnomonic plane about the optical axis to columns and rows, and back."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["ARCSEC_PER_RADIAN", "Camera", "FloatArray"]

FloatArray = NDArray[np.float64]

ARCSEC_PER_RADIAN = 206264.80624709636  # 180 * 3600 / pi
MAX_ROTATION = np.radians(45.0)  # beyond, charge would not move with the stars
INVERSE_STEPS = 12
INVERSE_TOLERANCE = 1e-14  # rad; a column of a metre-wide mosaic is still 1e6 times larger


@dataclass(frozen=True)
class Camera:
    """Optics and detector of one chip.

    With ``u = -scale * xi`` (down the scan) and ``v = column_sign * scale * eta`` (across it)::

        f  = 1 + k1 r^2 + k2 r^4,   r^2 = xi^2 + eta^2
        u' = f u (1 + aspect),      v' = f (v + skew u)
        X  = centre_column + v' cos(rotation) - u' sin(rotation)
        Y  = centre_row    + v' sin(rotation) + u' cos(rotation)

    ``scale``, ``rotation``, ``aspect`` and ``skew`` together are the general linear map. ``X`` is
    the column (pixel centres at integers); ``Y`` is the height above the serial register: row
    ``j`` covers ``[j, j + 1)``.

    Parameters
    ----------
    scale : float
        Pixels per radian at the optical axis.
    n_columns, n_stage : int
        Imaging columns, and rows that integrate.
    centre_column, centre_row : float
        Where the optical axis falls, pixels; it may lie off the chip.
    rotation : float, optional
        Radians; what a positive rotation does is the formula above.
    column_sign : {+1, -1}, optional
        +1 where columns grow to the north, -1 where they grow to the south.
    radial : tuple of float, optional
        ``(k1, k2)`` per rad^2 and rad^4.
    aspect, skew : float, optional
        Small linear terms, dimensionless. Positions alone do not constrain them; smear does.

    Raises
    ------
    ValueError
        If a number is not finite or lies outside its range.
    """

    scale: float
    n_columns: int
    n_stage: int
    centre_column: float
    centre_row: float
    rotation: float = 0.0
    column_sign: int = 1
    radial: tuple[float, float] = (0.0, 0.0)
    aspect: float = 0.0
    skew: float = 0.0

    def __post_init__(self) -> None:
        numbers = (
            self.scale,
            self.centre_column,
            self.centre_row,
            self.rotation,
            *self.radial,
            self.aspect,
            self.skew,
        )
        if not np.all(np.isfinite(numbers)):
            raise ValueError(f"camera: every number must be finite, got {self}")
        if self.scale <= 0:
            raise ValueError(f"camera.scale must be positive (px/rad), got {self.scale}")
        if self.n_columns < 1 or self.n_stage < 1:
            raise ValueError(
                "camera.n_columns and camera.n_stage must be at least 1, "
                f"got {self.n_columns} and {self.n_stage}"
            )
        if self.column_sign not in (1, -1):
            raise ValueError(f"camera.column_sign must be 1 or -1, got {self.column_sign}")
        if abs(self.rotation) >= MAX_ROTATION:
            raise ValueError(
                "camera.rotation must be within 45 degrees of the drift, "
                f"got {np.degrees(self.rotation):.3f} degrees"
            )
        if abs(self.aspect) > 0.2 or abs(self.skew) > 0.2:
            raise ValueError(
                "camera.aspect and camera.skew must be small (within 0.2), "
                f"got {self.aspect} and {self.skew}"
            )

    @classmethod
    def from_arcsec(
        cls,
        *,
        pixel_scale: float,
        n_columns: int,
        n_stage: int,
        rotation_deg: float = 0.0,
        column_sign: int = 1,
        optical_centre: tuple[float, float] | None = None,
        radial: tuple[float, float] = (0.0, 0.0),
    ) -> "Camera":
        """Build a camera from the units of the configuration file.

        Parameters
        ----------
        pixel_scale : float
            Arcseconds per pixel.
        n_columns, n_stage : int
            Imaging columns, and rows that integrate.
        rotation_deg : float, optional
            Degrees.
        column_sign : {+1, -1}, optional
            +1 where columns grow to the north.
        optical_centre : tuple of float, optional
            Column and row of the optical axis; the middle of the chip where None.
        radial : tuple of float, optional
            ``(k1, k2)`` per rad^2 and rad^4.

        Returns
        -------
        Camera

        Raises
        ------
        ValueError
            If `pixel_scale` is not positive, or as the constructor does.
        """
        if not pixel_scale > 0:
            raise ValueError(f"camera.pixel_scale must be positive (arcsec), got {pixel_scale}")
        middle = ((n_columns - 1) / 2.0, n_stage / 2.0)
        column, row = middle if optical_centre is None else optical_centre
        return cls(
            scale=ARCSEC_PER_RADIAN / pixel_scale,
            n_columns=n_columns,
            n_stage=n_stage,
            centre_column=float(column),
            centre_row=float(row),
            rotation=float(np.radians(rotation_deg)),
            column_sign=column_sign,
            radial=radial,
        )

    @property
    def pixel_scale(self) -> float:
        """Arcseconds per pixel at the optical axis."""
        return ARCSEC_PER_RADIAN / self.scale

    def project(self, xi: ArrayLike, eta: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Column and row of a direction.

        Parameters
        ----------
        xi, eta : array_like
            Gnomonic coordinates about the axis, west and north, radians.

        Returns
        -------
        X, Y : ndarray
            Column, and height above the serial register, pixels.
        """
        xi = np.asarray(xi, np.float64)
        eta = np.asarray(eta, np.float64)
        r2 = xi * xi + eta * eta
        factor = 1.0 + r2 * (self.radial[0] + r2 * self.radial[1])
        u = -self.scale * xi * factor
        v = self.column_sign * self.scale * eta * factor + self.skew * u
        u = u * (1.0 + self.aspect)
        cos, sin = np.cos(self.rotation), np.sin(self.rotation)
        return self.centre_column + v * cos - u * sin, self.centre_row + v * sin + u * cos

    def jacobian(
        self, xi: ArrayLike, eta: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Derivatives of the projection.

        Parameters
        ----------
        xi, eta : array_like
            Gnomonic coordinates, radians.

        Returns
        -------
        X_xi, X_eta, Y_xi, Y_eta : ndarray
            Pixels per radian.
        """
        xi = np.asarray(xi, np.float64)
        eta = np.asarray(eta, np.float64)
        k1, k2 = self.radial
        r2 = xi * xi + eta * eta
        factor = 1.0 + r2 * (k1 + r2 * k2)
        slope = 2.0 * (k1 + 2.0 * k2 * r2)  # d factor / d xi = slope * xi
        s, sign = self.scale, self.column_sign
        u_xi = -s * (factor + slope * xi * xi)
        u_eta = -s * slope * xi * eta
        v_xi = sign * s * slope * xi * eta + self.skew * u_xi
        v_eta = sign * s * (factor + slope * eta * eta) + self.skew * u_eta
        u_xi = u_xi * (1.0 + self.aspect)
        u_eta = u_eta * (1.0 + self.aspect)
        cos, sin = np.cos(self.rotation), np.sin(self.rotation)
        return (
            v_xi * cos - u_xi * sin,
            v_eta * cos - u_eta * sin,
            v_xi * sin + u_xi * cos,
            v_eta * sin + u_eta * cos,
        )

    def unproject(self, column: ArrayLike, row: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Direction of a point on the chip: the inverse of `project`.

        Parameters
        ----------
        column, row : array_like
            Pixels.

        Returns
        -------
        xi, eta : ndarray
            Gnomonic coordinates, radians.

        Raises
        ------
        ValueError
            If the distortion is so strong that it folds the field over.
        """
        dx = np.asarray(column, np.float64) - self.centre_column
        dy = np.asarray(row, np.float64) - self.centre_row
        cos, sin = np.cos(self.rotation), np.sin(self.rotation)
        u = (dy * cos - dx * sin) / (1.0 + self.aspect)
        v = dx * cos + dy * sin - self.skew * u
        xd = -u / self.scale
        yd = self.column_sign * v / self.scale
        k1, k2 = self.radial
        target = np.hypot(xd, yd)
        r = target.copy()
        converged = False
        for _ in range(INVERSE_STEPS):
            r2 = r * r
            slope = 1.0 + r2 * (3.0 * k1 + 5.0 * r2 * k2)
            if np.any(slope <= 0):
                break
            step = (r * (1.0 + r2 * (k1 + r2 * k2)) - target) / slope
            r = r - step
            if np.all(np.abs(step) < INVERSE_TOLERANCE):
                converged = True
                break
        if not converged:
            raise ValueError(
                f"camera.radial folds the field over within the chip, got {self.radial}; "
                "use smaller coefficients"
            )
        factor = 1.0 + r * r * (k1 + r * r * k2)
        return xd / factor, yd / factor

    def solid_angle(self, column: ArrayLike, row: ArrayLike) -> FloatArray:
        """Solid angle of a pixel.

        Parameters
        ----------
        column, row : array_like
            Pixels.

        Returns
        -------
        ndarray
            Steradians per pixel: the gnomonic area element over the area scale of the camera.
        """
        xi, eta = self.unproject(column, row)
        x_xi, x_eta, y_xi, y_eta = self.jacobian(xi, eta)
        area = np.abs(x_xi * y_eta - x_eta * y_xi)
        return np.asarray((1.0 + xi * xi + eta * eta) ** -1.5 / area)
