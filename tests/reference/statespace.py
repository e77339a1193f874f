"""Reference numbers of the estimate's tests, from statsmodels' state-space code: run by hand, never by CI.

    pip install statsmodels   (made with 0.15.0)
    python tests/reference/statespace.py

Three things are shown. The local level model on the annual flow of the Nile (statsmodels' own copy of the data) with the variances of
Durbin & Koopman 2012, section 2. A level that falls by an uptake which wanders, over readings at odd hours with doses in between: the
model of src/estimate/state.rs, with its time-varying matrices built here by numerical integration of the continuous model rather than by
the formulas there. And the same with a drift of the uptake.
"""

import numpy as np
import statsmodels.api as sm
from scipy.linalg import expm
from statsmodels.tsa.statespace.mlemodel import MLEModel

# Days of the readings, what was added since the reading before, dKH read, standard error, step of the scale.
DAYS = [0.0, 0.6, 1.9, 3.05, 6.4, 7.0, 11.75, 14.2]
ADDED = [0.0, 0.5, 0.9, 1.0, 2.6, 0.3, 3.9, 2.1]
READ = [8.3, 8.3, 8.1, 8.0, 8.1, 8.0, 7.8, 7.9]
SD, STEP = 0.15, 0.1


def nile():
    flow = sm.datasets.nile.load_pandas().data["volume"]
    exact = sm.tsa.UnobservedComponents(flow, "llevel", use_exact_diffuse=True)
    result = exact.smooth([15099.0, 1469.1])
    gain = result.filter_results.kalman_gain[0, 0, -1]
    # statsmodels counts the constant of the diffuse first value; the book does not.
    print("nile: log-likelihood", result.llf + 0.5 * np.log(2.0 * np.pi), "gain", gain)
    print("nile: last level", result.filtered_state[0, -1], "variance", result.filtered_state_cov[0, 0, -1])


class Water(MLEModel):
    """Level, uptake, trend; added amounts as the state's intercept."""

    def __init__(self, noise, start, start_cov):
        super().__init__(np.array(READ), k_states=3, k_posdef=3)
        count = len(READ)
        self["design"] = np.array([[1.0, 0.0, 0.0]])
        self["obs_cov"] = np.array([[SD**2 + STEP**2 / 12.0]])
        self["selection"] = np.eye(3)
        rates = np.array([[0.0, -1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 0.0, 0.0]])
        transition = np.zeros((3, 3, count))
        gained = np.zeros((3, 3, count))
        intercept = np.zeros((3, count))
        for k in range(count):
            days = DAYS[k + 1] - DAYS[k] if k + 1 < count else 1.0
            transition[:, :, k] = expm(rates * days)
            # Van Loan's block exponential: the integral of Phi Q Phi'.
            block = np.zeros((6, 6))
            block[:3, :3], block[:3, 3:], block[3:, 3:] = -rates, np.diag(noise), rates.T
            big = expm(block * days)
            gained[:, :, k] = big[3:, 3:].T @ big[:3, 3:]
            intercept[0, k] = ADDED[k + 1] if k + 1 < count else 0.0
        self["transition"], self["state_cov"], self["state_intercept"] = transition, gained, intercept
        self.ssm.initialize_known(np.array(start), np.array(start_cov))


def water(name, trend_sd):
    noise = [0.008**2, 0.011**2, 0.0]
    model = Water(noise, [8.3, 0.8, 0.0], np.diag([0.04, 0.0064, trend_sd**2]))
    result = model.ssm.filter()
    print(name, "state", result.filtered_state[:, -1])
    print(name, "cov", result.filtered_state_cov[:, :, -1][np.triu_indices(3)])
    print(name, "log-likelihood", result.llf_obs.sum())


if __name__ == "__main__":
    np.set_printoptions(precision=12)
    nile()
    water("wandering:", 0.0)
    water("drifting:", 0.004)
