"""The straightforward way to read a tap recording, as one would script it with SciPy.

    python3 testdata/scipy/naive.py LOW_HZ HIGH_HZ FILE.wav...

Strongest peak of a windowed transform between two frequencies, band-pass about it, Hilbert envelope, a
straight line through its logarithm, the median over the taps. Prints one JSON object a file: hz, q,
tau_s, taps and the CPU seconds from opening the file to the result. It is the yardstick for
the program, written with care: every tap is cut before the next, the line stops above the noise.
"""

import json
import math
import sys
import time
import warnings

import numpy as np
from scipy import fft, signal
from scipy.io import wavfile

warnings.simplefilter("ignore", wavfile.WavFileWarning)


def read(path):
    rate, x = wavfile.read(path)
    scale = 1.0 if x.dtype.kind == "f" else float(np.iinfo(x.dtype).max)
    x = x.astype(float) / scale
    return rate, x if x.ndim == 1 else x[:, 0]


def onsets(x, rate):
    """Sudden rises of the energy above 350 Hz, 0.4 s apart."""
    high = signal.sosfilt(signal.butter(2, 350, "high", fs=rate, output="sos"), x)
    frame = int(0.005 * rate)
    energy = np.add.reduceat(high**2, np.arange(0, len(high) - frame, frame))
    rise = np.diff(np.log(energy + 0.01 * np.median(energy) + 1e-20), prepend=math.log(energy[0] + 1e-20))
    rise[0] = max(rise[0], 0)
    loud = 10 * np.log10(energy / energy.max() + 1e-20) > -35
    peaks, _ = signal.find_peaks(np.where(loud, rise, 0), height=1.5, distance=int(0.4 / 0.005))
    return peaks * frame if len(peaks) else np.array([int(np.argmax(energy)) * frame])


def ring(x, rate, low, high):
    """Frequency and decay time of one tap's ring, or None."""
    n = fft.next_fast_len(4 * len(x), real=True)
    power = np.abs(fft.rfft(x * signal.windows.hann(len(x)), n)) ** 2
    hz = fft.rfftfreq(n, 1 / rate)
    band = (hz > low) & (hz < high)
    k = int(np.argmax(np.where(band, power, 0)))
    a, b, c = np.log(power[k - 1 : k + 2] + 1e-300)
    f = (k + 0.5 * (a - c) / (a - 2 * b + c)) * rate / n
    sos = signal.butter(2, [0.85 * f, min(1.15 * f, 0.49 * rate)], "band", fs=rate, output="sos")
    envelope = 20 * np.log10(np.abs(signal.hilbert(signal.sosfiltfilt(sos, x))) + 1e-12)
    start = int(0.03 * rate)
    floor = np.median(envelope[-len(envelope) // 5 :])
    below = np.flatnonzero(envelope[start:] < max(envelope[start] - 30, floor + 6))
    stop = start + (below[0] if len(below) else len(envelope) - start - int(0.05 * rate))
    if stop - start < 0.05 * rate:
        return None
    t = np.arange(start, stop) / rate
    slope = np.polyfit(t, envelope[start:stop], 1)[0]
    return (f, -20 * math.log10(math.e) / slope) if slope < 0 else None


def analyse(path, low, high):
    before = time.process_time()
    rate, x = read(path)
    at = onsets(x, rate)
    rings = []
    for a, b in zip(at, [*at[1:], len(x)]):
        piece = x[a : min(b - int(0.01 * rate), a + 3 * rate)]
        if len(piece) > 0.15 * rate and (r := ring(piece, rate, low, high)):
            rings.append(r)
    out = {"file": path, "hz": None, "q": None, "tau_s": None, "taps": len(rings)}
    if rings:
        f, tau = np.median(np.array(rings), axis=0)
        q = np.median([math.pi * f * t for f, t in rings])
        out.update(hz=float(f), q=float(q), tau_s=float(tau))
    out["cpu_s"] = time.process_time() - before
    return out


if __name__ == "__main__":
    low, high = map(float, sys.argv[1:3])
    for path in sys.argv[3:]:
        print(json.dumps(analyse(path, low, high)), flush=True)
