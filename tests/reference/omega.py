"""Reference numbers of the interval of aragonite saturation: 95 % of a Monte Carlo, from PyCO2SYS. Run by hand, never by CI.

    pip install PyCO2SYS   (made with 1.8.3.4, numpy 2.4.6)
    python tests/reference/omega.py

Each reading is drawn from its normal distribution 40,000 times. Constants as in src/chemistry/carbonate.rs (Lueker et al. 2000, Dickson
1990, Dickson & Riley 1979, Uppstrom 1974, Mucci 1983); the density between mg/L and mol/kg is that of UNESCO 1981 (EOS-80). The ends of
such a sample lie within about 0.7 % of those of an endless one.
"""

import numpy as np
import PyCO2SYS as pyco2

DRAWS = 40_000
# (dKH, mg/L Ca, pH, salinity, C), the scale of the pH (1 total, 4 NBS), one standard uncertainty of each.
CASES = [
    ((8.0, 420.0, 8.2, 35.0, 25.0), 1, (0.2, 12.0, 0.1, 1.0, 0.2)),
    ((8.0, 420.0, 8.2, 35.0, 25.0), 1, (0.2, 12.0, 0.2, 1.0, 0.5)),
    ((8.0, 420.0, 8.2, 35.0, 25.0), 4, (0.2, 12.0, 0.2, 0.5, 0.5)),
    ((7.0, 400.0, 7.9, 34.0, 26.0), 1, (0.3, 15.0, 0.2, 0.5, 1.0)),
    ((9.0, 440.0, 8.3, 36.0, 27.0), 1, (0.8, 40.0, 0.02, 0.5, 2.0)),
]


def kg_per_l(s, t):
    water = 999.842594 + 6.793952e-2 * t - 9.095290e-3 * t**2 + 1.001685e-4 * t**3 - 1.120083e-6 * t**4 + 6.536332e-9 * t**5
    salt = 8.24493e-1 - 4.0899e-3 * t + 7.6438e-5 * t**2 - 8.2467e-7 * t**3 + 5.3875e-9 * t**4
    return (water + salt * s + (-5.72466e-3 + 1.0227e-4 * t - 1.6546e-6 * t**2) * s**1.5 + 4.8314e-4 * s**2) / 1000.0


def omega(dkh, calcium, ph, s, t, scale):
    density = kg_per_l(s, t)
    found = pyco2.sys(
        par1=dkh * 0.356652 / density * 1e3, par1_type=1, par2=ph, par2_type=3, opt_pH_scale=scale,
        salinity=s, temperature=t, total_calcium=calcium / 40.078 / density * 1e3,
        opt_k_carbonic=10, opt_k_bisulfate=1, opt_k_fluoride=1, opt_total_borate=1,
    )
    return found["saturation_aragonite"]


random = np.random.default_rng(2026)
for water, scale, u in CASES:
    drawn = omega(*(x + v * random.standard_normal(DRAWS) for x, v in zip(water, u)), scale)
    low, high = np.nanpercentile(drawn, [2.5, 97.5])
    middle = float(omega(*(np.array([x]) for x in water), scale)[0])
    print(water, scale, u, "omega %.4f" % middle, "low %.3f high %.3f" % (low, high), flush=True)
