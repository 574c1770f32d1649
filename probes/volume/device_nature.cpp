#include "probes/volume/device_nature.hpp"

#include <nlohmann/json.hpp>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <filesystem>
#include <set>

namespace tallywire::volume {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t most_members = 64;

bool exists(const std::string& file) {
  std::error_code code;
  return fs::exists(file, code);
}

std::string name_of(const std::string& folder) { return fs::path(folder).filename().string(); }

std::string link_name(const std::string& link) {
  std::error_code code;
  const auto target = fs::read_symlink(link, code);
  return code ? std::string() : target.filename().string();
}

// "usb-storage" or "uas": the driver of the first USB interface above the disk; empty when it hangs on no USB.
std::string usb_driver(const std::string& disk) {
  if (disk.find("/usb") == std::string::npos) return "";
  for (auto at = fs::path(disk).parent_path(); at.has_relative_path(); at = at.parent_path())
    if (link_name((at / "subsystem").string()) == "usb") return link_name((at / "driver").string());
  return "";
}

std::vector<std::string> members_of(const std::string& disk) {
  std::vector<std::string> out;
  std::error_code code;
  for (fs::directory_iterator at(disk + "/slaves", code), end; !code && at != end && out.size() < most_members; at.increment(code))
    out.push_back(at->path().filename().string());
  std::sort(out.begin(), out.end());
  return out;
}

void name_mount(const Mount& mount, DeviceNature& out) {
  static const std::set<std::string> network = {"nfs", "nfs4", "cifs", "smb3", "smbfs", "ceph", "9p", "afs", "glusterfs", "fuse.sshfs", "fuse.glusterfs"};
  if (network.contains(mount.filesystem)) {
    out.kind = "network mount";
    out.notes.push_back("it is a network mount (" + mount.filesystem + " of " + mount.source + "): network and server are measured with it");
  } else if (mount.filesystem.rfind("fuse", 0) == 0 && mount.filesystem != "fuseblk") {
    out.kind = "program";
    out.notes.push_back("a program serves this file system (" + mount.filesystem + "): it is measured with what lies under it");
  } else if (mount.filesystem == "tmpfs" || mount.filesystem == "ramfs") {
    out.kind = "memory";
    out.notes.push_back("it lies in this machine's memory (" + mount.filesystem + "): what is written there is gone when the power fails");
  }
}

void name_array(const std::string& disk, DeviceNature& out) {
  out.kind = "array";
  out.array = parse_array(first_line(disk + "/md/level"), first_line(disk + "/md/degraded"), first_line(disk + "/md/sync_action"),
                          first_line(disk + "/md/sync_completed"));
  const auto& a = *out.array;
  if (a.missing_disks > 0)
    out.notes.push_back("the array " + out.disk + " (" + a.level + ") lacks " + std::to_string(a.missing_disks) + (a.missing_disks == 1 ? " disk" : " disks"));
  if (a.action.empty() || a.action == "idle" || a.action == "frozen") return;
  const std::string doing = a.action == "recover"   ? "is rebuilding"
                            : a.action == "resync"  ? "is synchronising"
                            : a.action == "reshape" ? "is changing its shape"
                                                    : "is being checked";
  out.notes.push_back("the array " + out.disk + " (" + a.level + ") " + doing +
                      (a.done_ratio ? ", " + std::to_string(std::lround(*a.done_ratio * 100)) + " % done" : "") + ": it writes slower meanwhile");
}

void name_card(const std::string& disk, DeviceNature& out) {
  out.card_type = first_line(disk + "/device/type");
  out.card_name = first_line(disk + "/device/name");
  out.kind = out.card_type == "MMC" ? "disk" : "card";
  out.card = parse_sd_status(first_line(disk + "/device/ssr"));
  if (out.card && !out.card->strongest().empty())
    out.notes.push_back("the card " + out.card_name + " says of itself that it is of class " + out.card->strongest());
}

void name_disk(const std::string& disk, DeviceNature& out) {
  const auto rotational = first_line(disk + "/queue/rotational");
  if (rotational == "0" || rotational == "1") out.rotational = rotational == "1";
  out.made_of = members_of(disk);
  if (exists(disk + "/md")) {
    name_array(disk, out);
  } else if (exists(disk + "/dm")) {
    out.kind = "mapped";
    out.notes.push_back("it is a mapped device (" + first_line(disk + "/dm/name") + ")");
  } else if (exists(disk + "/loop")) {
    out.kind = "loop";
    out.notes.push_back("it is a file shown as a disk (" + first_line(disk + "/loop/backing_file") + "): what that file lies on is measured");
  } else if (out.disk.rfind("mmcblk", 0) == 0) {
    name_card(disk, out);
  } else if (const auto driver = usb_driver(disk); !driver.empty()) {
    out.kind = "usb disk";
    out.notes.push_back("it hangs behind a USB bridge (driver " + driver + "), through which the system shows no health record of the disk");
  } else if (out.kind.empty()) {
    out.kind = "disk";
  }
}

}  // namespace

ArrayState parse_array(const std::string& level, const std::string& degraded, const std::string& sync_action, const std::string& sync_completed) {
  const auto number = [](std::string_view text) {
    std::uint64_t out = 0;
    const auto begin = text.find_first_not_of(' ');
    if (begin == std::string_view::npos) return std::optional<std::uint64_t>();
    const auto [end, error] = std::from_chars(text.data() + begin, text.data() + text.size(), out);
    return error == std::errc() ? std::optional(out) : std::nullopt;
  };
  ArrayState out;
  out.level = level;
  out.missing_disks = static_cast<int>(std::min<std::uint64_t>(number(degraded).value_or(0), 10'000));
  out.action = sync_action;
  // "123 / 456" in sectors; "none" or "delayed" else.
  if (const auto slash = sync_completed.find('/'); slash != std::string::npos) {
    const auto done = number(std::string_view(sync_completed).substr(0, slash)), all = number(std::string_view(sync_completed).substr(slash + 1));
    if (done && all && *all > 0 && *done <= *all) out.done_ratio = static_cast<double>(*done) / static_cast<double>(*all);
  }
  return out;
}

DeviceNature look_at_device(const Ground& ground) {
  DeviceNature out;
  if (ground.mount) name_mount(*ground.mount, out);
  if (ground.folder.empty()) return out;
  const auto disk = disk_folder(ground.folder);
  out.name = name_of(ground.folder);
  out.disk = name_of(disk);
  out.read_only = first_line(ground.folder + "/ro") == "1" || first_line(disk + "/ro") == "1";
  if (out.read_only) out.notes.push_back("the device says that it is read-only");
  name_disk(disk, out);
  return out;
}

void to_json(nlohmann::json& out, const DeviceNature& n) {
  out = {{"name", n.name}, {"disk", n.disk}, {"kind", n.kind}, {"read_only", n.read_only}, {"made_of", n.made_of}};
  out["rotational"] = n.rotational ? nlohmann::json(*n.rotational) : nlohmann::json();
  out["array"] = nullptr;
  if (n.array)
    out["array"] = {{"level", n.array->level}, {"missing_disks", n.array->missing_disks}, {"action", n.array->action},
                    {"done_ratio", n.array->done_ratio ? nlohmann::json(*n.array->done_ratio) : nlohmann::json()}};
  out["card"] = nullptr;
  if (!n.card_type.empty()) {
    const SdStatus status = n.card.value_or(SdStatus{});
    out["card"] = {{"name", n.card_name}, {"type", n.card_type}, {"speed_class", status.speed_class}, {"uhs_speed_grade", status.uhs_speed_grade},
                   {"video_speed_class", status.video_speed_class}, {"application_class", status.application_class}};
  }
}

}  // namespace tallywire::volume
