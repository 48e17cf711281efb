"""Onsets in a stem, found without knowing where they should be."""

import numpy as np
from scipy import signal


def level(x, width):
    """RMS of the `width` samples before and after each sample."""
    total = np.concatenate(([0.0], np.cumsum(x.astype(np.float64) ** 2)))
    ahead = np.concatenate((total[width:], np.full(width, total[-1])))[: len(x)] - total[: len(x)]
    behind = total[: len(x)] - np.concatenate((np.zeros(width), total[: -width]))[: len(x)]
    return np.sqrt(np.maximum(ahead, 0) / width), np.sqrt(np.maximum(behind, 0) / width)


def onsets(x, rate):
    """Frames at which hits begin: peaks of the rise in level (scipy), each moved to its first sample.

    A hit after silence begins at the first sample above a thousandth of its peak, one inside the tail of another
    where that tail stops being foretold.
    """
    if not np.any(x):
        return np.array([], dtype=int), 0
    width = round(0.002 * rate)
    ahead, behind = level(x, width)
    rise = np.maximum(ahead - behind, 0)
    # -36 dB under the strongest rise; a hit's own ripple stays under a third of its rise.
    peaks, _ = signal.find_peaks(np.concatenate(([0], rise, [0])), height=rise.max() * 0.016, distance=round(0.02 * rate),
                                 prominence=rise.max() * 0.012)
    found, inside = [], 0
    for peak in peaks - 1:
        start, stop = max(0, peak - 2 * width), min(len(x), peak + 2 * width)
        top = np.abs(x[start:stop]).max()
        before = np.abs(x[max(0, start - width) : start])
        if before.size == 0 or before.max() < top * 0.0005:
            found.append(start + int(np.argmax(np.abs(x[start:stop]) > top * 0.001)))
        else:
            inside += 1
            found.append(behind_tail(x, int(peak), width, top))
    return np.array(sorted(found), dtype=int), inside


def behind_tail(x, peak, width, top):
    """Where a hit begins inside the tail of another: where the tail can no longer be foretold.

    The tail is a sum of a few decaying sines, so each sample is a fixed combination of those before it (linear
    prediction, least squares). The new hit begins at the first sample that this combination misses.
    """
    # At high rates neighbouring samples say nearly the same: steps of 1/48,000 s keep the equations sound.
    order, step, start, stop = 10, max(1, round(width / 96)), peak - 5 * width, peak + width
    quiet = peak - width
    if start - order * step < 0:
        return peak
    past = np.stack([x[start - k * step : stop - k * step] for k in range(1, order + 1)], axis=1)
    fitted = quiet - start
    weights, *_ = np.linalg.lstsq(past[:fitted], x[start:quiet], rcond=1e-10)
    missed = np.abs(x[start:stop] - past @ weights)
    limit = max(top * 0.001, 8 * missed[:fitted].max())
    after = missed[fitted:] > limit
    return quiet + int(np.argmax(after)) if after.any() else peak


def librosa_onsets(x, rate):
    """Seconds, by librosa's spectral flux with frames of one millisecond."""
    import librosa

    hop = round(rate / 1000)
    lead = np.zeros(rate // 4, dtype=np.float32)
    padded = np.concatenate((lead, x.astype(np.float32), lead))
    strength = librosa.onset.onset_strength(y=padded, sr=rate, hop_length=hop, n_fft=512, n_mels=40, center=True)
    frames = librosa.onset.onset_detect(onset_envelope=strength, sr=rate, hop_length=hop, units="frames", delta=0.03,
                                        wait=20, pre_avg=80, post_avg=80, pre_max=20, post_max=20)
    return frames * hop / rate - len(lead) / rate
