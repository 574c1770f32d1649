# Every Debian package that Tallywire needs, and the one way to install them. Sourced by config/up and
# tests/run; says nothing when all is there.

tallywire_build_packages=(
  g++ cmake ninja-build pkg-config ccache
  libboost1.81-dev libpcap-dev nlohmann-json3-dev rapidjson-dev libssl-dev libsqlite3-dev libpugixml-dev libsnmp-dev
  libcurl4-openssl-dev libsystemd-dev zlib1g-dev libzstd-dev libspdlog-dev libcli11-dev libvalijson-dev libfftw3-dev catch2 libbenchmark-dev
)
# The demo site: namespaces and shaped links, real snmpd and lldpd, pictures for the simulated cameras.
tallywire_demo_packages=(
  ieee-data iproute2 nftables iputils-ping python3 snmpd lldpd ffmpeg util-linux e2fsprogs procps
)
# Independent peers and clients that the tests measure against.
tallywire_test_packages=(
  snmp tshark tcpdump zstd ethtool curl openssl systemd iperf3
  gir1.2-gst-rtsp-server-1.0 python3-gi gstreamer1.0-plugins-base gstreamer1.0-plugins-good
  gstreamer1.0-plugins-bad gstreamer1.0-plugins-ugly gstreamer1.0-libav gstreamer1.0-tools
  glib-networking dnsmasq-base udhcpc avahi-daemon avahi-autoipd wsdd iputils-arping
  python3-fusepy python3-aiosmtpd python3-jsonschema python3-prometheus-client poppler-utils
  chromium chromium-driver python3-selenium fonts-dejavu-core
)
# axe-core comes from the npm registry; a machine may have npm from elsewhere, beside which Debian's cannot be installed.
command -v npm > /dev/null || tallywire_test_packages+=(npm)
# libFuzzer and the sanitizers' run time, for ./tests/run --fuzz only.
tallywire_fuzz_packages=(clang-14 libclang-rt-14-dev)

# install_packages NAME...: installs what is missing; asks the archive only when something is.
install_packages() {
  local missing=() name have
  have=$(dpkg-query -W -f='${Package} ${Status}\n' "$@" 2>/dev/null | sed -n 's/ install ok installed$//p' || true)
  for name in "$@"; do
    grep -qxF "$name" <<< "$have" || missing+=("$name")
  done
  [ ${#missing[@]} -eq 0 ] && return 0
  if [ "$(id -u)" -ne 0 ]; then
    echo "These packages are missing: ${missing[*]}; run this as root, or install them first." >&2
    return 2
  fi
  echo "Installing ${#missing[@]} packages: ${missing[*]}" >&2
  # lldpd and snmpd would start as services of this machine on installation: we only want the programs.
  local policy=/usr/sbin/policy-rc.d made_policy=0
  if [ ! -e "$policy" ]; then
    printf '#!/bin/sh\nexit 101\n' > "$policy" && chmod 755 "$policy" && made_policy=1
  fi
  local log status=0
  log=$(mktemp)
  { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends \
      "${missing[@]}"; } > "$log" 2>&1 || status=$?
  [ "$made_policy" -eq 1 ] && rm -f "$policy"
  if [ "$status" -ne 0 ]; then
    tail -20 "$log" >&2
    echo "Installing failed; the whole log is in $log. Check the network and /etc/apt/sources.list, then repeat." >&2
    return 2
  fi
  rm -f "$log"
}

# build_tree DIRECTORY [target…]: configures with $cmake_options, then builds the targets, or all; prints only on
# failure.
cmake_options=(-DCMAKE_BUILD_TYPE=Release)
build_tree() {
  local directory=$1 log
  shift
  log=$(mktemp)
  if ! { cmake -S . -B "$directory" -G Ninja "${cmake_options[@]}" && ninja -C "$directory" "$@"; } > "$log" 2>&1; then
    grep -E 'error|FAILED|Error' "$log" | head -30 >&2
    echo "The build failed; the whole log is in $log." >&2
    return 2
  fi
  rm -f "$log"
}
