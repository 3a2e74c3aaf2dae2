#!/bin/sh
# Builds the board's image, on any machine with Rust:
#   target/board/steadybench-pico.elf   for a debug probe, and for the log decoder
#   target/board/steadybench-pico.uf2   to be copied onto the board's drive
# It takes the first of four ways that the machine offers, and says which.
set -eu

target=thumbv6m-none-eabi
root=$(cd "$(dirname "$0")/../../.." && pwd)
case ${CARGO_TARGET_DIR:-} in
    "") out=$root/target ;;
    /*) out=$CARGO_TARGET_DIR ;;
    *) out=$PWD/$CARGO_TARGET_DIR ;;
esac
cargo=cargo
rustc=rustc
extra=

has_core() {
    ls "$("$rustc" --print target-libdir --target $target 2>/dev/null)"/libcore-*.rlib >/dev/null 2>&1
}

has_source() {
    [ -f "$("$rustc" --print sysroot 2>/dev/null)/lib/rustlib/src/rust/library/core/src/lib.rs" ]
}

if has_core; then
    way="the toolchain's own library for $target"
elif command -v rustup >/dev/null 2>&1 && rustup target add $target >/dev/null 2>&1 && has_core; then
    way="the library for $target, just added with rustup"
elif has_source; then
    way="the core library built from the toolchain's rust-src"
    extra=-Zbuild-std=core
elif cargo=/usr/bin/cargo rustc=/usr/bin/rustc && [ -x $cargo ] && [ -x $rustc ] && has_source; then
    way="the core library built from the system's Rust sources"
    extra=-Zbuild-std=core
else
    cat >&2 <<'MESSAGE'
error: this Rust cannot build for thumbv6m-none-eabi. Do one of these and try again:
  rustup target add thumbv6m-none-eabi
  rustup component add rust-src
  apt-get install rustc-web cargo-web rust-web-src lld      (Debian)
MESSAGE
    exit 1
fi
echo "building with $way"

# A Rust from the system may come without its linker.
sysroot=$("$rustc" --print sysroot)
if ! ls "$sysroot"/lib/rustlib/*/bin/rust-lld >/dev/null 2>&1; then
    for linker in "${RUSTUP_HOME:-$HOME/.rustup}"/toolchains/*/lib/rustlib/*/bin/rust-lld "$(command -v ld.lld || true)"; do
        if [ -x "$linker" ]; then
            CARGO_TARGET_THUMBV6M_NONE_EABI_LINKER=$linker
            export CARGO_TARGET_THUMBV6M_NONE_EABI_LINKER
            break
        fi
    done
fi

DEFMT_LOG=${DEFMT_LOG:-info}
CARGO_TARGET_DIR=$out
export DEFMT_LOG CARGO_TARGET_DIR
cd "$root"
if [ -n "$extra" ]; then
    RUSTC=$rustc RUSTC_BOOTSTRAP=1 $cargo build --locked -p steadybench-pico --profile board --target $target $extra
else
    $cargo build --locked -p steadybench-pico --profile board --target $target
fi

mkdir -p "$out/board"
cp "$out/$target/board/steadybench-pico" "$out/board/steadybench-pico.elf"
RUSTC=$rustc $cargo run --locked --quiet -p steadybench-pico -- \
    "$out/board/steadybench-pico.elf" "$out/board/steadybench-pico.uf2"
echo "$out/board/steadybench-pico.elf"
echo "$out/board/steadybench-pico.uf2"
