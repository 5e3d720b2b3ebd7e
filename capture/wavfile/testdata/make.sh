#!/bin/sh
# Makes the files of this folder anew with programs that share no code with ringstock:
# flac 1.4.2 and sox 14.4.2 of Debian 12. The sound is the integer resonator of
# outside_test.go: 400 frames, two channels, 44.1 kHz.
set -e
cd "$(dirname "$0")"
for bits in 8 16 24; do
	python3 - $bits >ring.raw <<'PY'
import sys
bits = int(sys.argv[1])
a = [0, 0]
b = [1 << (bits - 4), 1 << (bits - 4)]
for i in range(400):
    for c in range(2):
        sys.stdout.buffer.write(a[c].to_bytes(bits // 8, "little", signed=True))
        a[c], b[c] = b[c], ((31 - 6 * c) * b[c] >> 4) - a[c]
PY
	raw="--force-raw-format --endian=little --sign=signed --channels=2 --bps=$bits --sample-rate=44100"
	flac -s -f -8 --no-padding --no-seektable $raw -o ring$bits.flac ring.raw
	sox -t raw -r 44100 -e signed -b $bits -c 2 ring.raw ring$bits.wav
done
sox -t raw -r 44100 -e signed -b 24 -c 2 ring.raw -e floating-point -b 32 ring32f.wav
sox -t raw -r 44100 -e signed -b 24 -c 2 ring.raw -e floating-point -b 64 ring64f.wav
cat ring.raw | sox -t raw -r 44100 -e signed -b 24 -c 2 - -t wav - | cat >piped.wav
flac -s -f -d --force-rf64-format -o ring24.rf64 ring24.flac
flac -s -f -d --force-wave64-format -o ring24.w64 ring24.flac
flac -s -f -d --force-aiff-format -o ring24.aiff ring24.flac
sox -t raw -r 44100 -e signed -b 24 -c 2 ring.raw -e a-law ringalaw.wav
rm ring.raw
