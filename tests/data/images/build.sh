#!/bin/sh
# Build the fixtures of this folder. Needs GNU binutils for z80-unknown-elf (first argument:
# the folder of its programs) and sdcc.
set -eu
cd "$(dirname "$0")"
z80=${1:?usage: build.sh FOLDER-OF-BINUTILS}/z80-unknown-elf-
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
for version in 2 3 4 5; do
  "${z80}as" -march=z80 -gdwarf-$version --debug-prefix-map "$PWD=/source" -o "$work/gauge.o" gauge.s
  "${z80}ld" -n -T gauge.ld -Map="$work/gauge.map" -o gauge-dwarf$version.elf "$work/gauge.o"
done
sed "s,$work/,," "$work/gauge.map" > gauge.map
"${z80}nm" gauge-dwarf4.elf > gauge.nm
"${z80}objcopy" -O ihex gauge-dwarf4.elf gauge.hex
"${z80}objcopy" -O srec gauge-dwarf4.elf gauge.s19
"${z80}objcopy" -O binary -j .text gauge-dwarf4.elf gauge.bin
"${z80}as" -march=z80 -gdwarf-4 --debug-prefix-map "$PWD=/source" -o "$work/paged.o" paged.s
"${z80}ld" -n --no-check-sections -T paged.ld -o paged.elf "$work/paged.o"
"${z80}ld" -n -q --no-check-sections -T paged.ld -o paged-relocs.elf "$work/paged.o"
cp tide.c show.c "$work" && cd "$work"
sdcc -mz80 --debug -c tide.c && sdcc -mz80 --debug -c show.c
sdcc -mz80 --debug -Wl-b_BANK1=0x14000 --code-loc 0x0200 --data-loc 0x8000 \
  -o tide.ihx tide.rel show.rel
cd - >/dev/null
sed -i "s,^/usr/.*/,," "$work/tide.map"  # where sdcc is installed is of no interest
cp "$work/tide.ihx" "$work/tide.noi" "$work/tide.map" "$work/tide.cdb" .
