// What sysfs shows of disks, over trees made here by the kernel's documentation: block/stat, admin-guide/md, mmc device attributes.
// The SD Status register: SD Association, Physical Layer Simplified Specification 9.00, 4.10.2, Table 4-44 (field places) and Tables
// 4-45, 4-52, 4-54 (codes), second-hand by an open driver's headers.
#include "probes/volume/block_device.hpp"
#include "probes/volume/device_nature.hpp"
#include "probes/volume/report.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <cstdlib>
#include <filesystem>
#include <fstream>

namespace fs = std::filesystem;
using namespace tallywire::volume;

namespace {

struct Tree {
  Tree() {
    std::string name = (fs::temp_directory_path() / "tallywire-sysfs-XXXXXX").string();
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    root = fs::canonical(name);
  }
  ~Tree() { fs::remove_all(root); }
  void file(const std::string& name, const std::string& text) const {
    fs::create_directories((root / name).parent_path());
    std::ofstream(root / name) << text << "\n";
  }
  void link(const std::string& name, const std::string& target) const {
    fs::create_directories((root / name).parent_path());
    fs::create_directories(root / target);
    fs::create_symlink(root / target, root / name);
  }
  Ground ground(unsigned major, unsigned minor) const {
    const BlockDevice device{major, minor};
    return {std::nullopt, device, sysfs_folder(root.string(), device)};
  }

  fs::path root;
};

bool says(const DeviceNature& nature, const std::string& words) {
  for (const auto& note : nature.notes)
    if (note.find(words) != std::string::npos) return true;
  return false;
}

// A register with octets set by their bit number.
std::string status(std::initializer_list<std::pair<int, int>> octets) {
  std::string out(128, '0');
  for (const auto& [lowest, value] : octets) {
    char text[3];
    std::snprintf(text, sizeof text, "%02x", static_cast<unsigned>(value));
    out.replace(static_cast<std::size_t>((504 - lowest) / 4), 2, text);
  }
  return out;
}

}  // namespace

TEST_CASE("the kernel's count for a device is read by its documented fields") {
  // Linux Documentation/block/stat: read I/Os, merges, sectors, ticks; write I/Os, merges, sectors, ticks; in flight, io ticks, queue.
  const auto found = parse_disk_statistics("   16241      37   928114    15467    84001   122001  7340032   512345        3    99210   527812\n");
  REQUIRE(found.has_value());
  CHECK(found->reads == 16241);
  CHECK(found->writes == 84001);
  CHECK(found->written_bytes() == 7340032.0 * 512);
  CHECK(found->read_bytes() == 928114.0 * 512);
  CHECK(found->write_ms == 512345);
  CHECK(found->in_flight == 3);
  CHECK(found->busy_ms == 99210);
  CHECK(parse_disk_statistics("1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17").has_value());  // newer kernels tell more
  CHECK_FALSE(parse_disk_statistics("1 2 3 4 5 6 7 8 9 10").has_value());
  CHECK_FALSE(parse_disk_statistics("1 2 3 4 5 6 x 8 9 10 11").has_value());
  CHECK_FALSE(parse_disk_statistics("1 2 3 4 5 6 99999999999999999999999 8 9 10 11").has_value());
  CHECK_FALSE(parse_disk_statistics("").has_value());
}

TEST_CASE("a card's own word of its speed is decoded") {
  const auto v30 = parse_sd_status(status({{440, 0x04}, {392, 0x39}, {384, 30}, {336, 0x02}}) + "\n");
  REQUIRE(v30.has_value());
  CHECK(v30->speed_class == "C10");
  CHECK(v30->uhs_speed_grade == "U3");
  CHECK(v30->video_speed_class == "V30");
  CHECK(v30->application_class == "A2");
  CHECK(v30->strongest() == "V30");
  const auto c4 = parse_sd_status(status({{440, 0x02}}));
  REQUIRE(c4.has_value());
  CHECK(c4->strongest() == "C4");
  CHECK(c4->uhs_speed_grade.empty());
  const auto reserved = parse_sd_status(status({{440, 0x05}, {392, 0x20}, {384, 31}}));
  REQUIRE(reserved.has_value());
  CHECK(reserved->strongest().empty());
  CHECK_FALSE(parse_sd_status(std::string(128, '0')).has_value());
  CHECK_FALSE(parse_sd_status(std::string(127, '1')).has_value());
  CHECK_FALSE(parse_sd_status(std::string(127, '1') + "g").has_value());
  CHECK_FALSE(parse_sd_status("").has_value());
}

TEST_CASE("speed classes promise what their standard says") {
  // SD Association: Speed Class, UHS Speed Class, Video Speed Class, least sequential write in MB/s of 10^6 octets.
  const std::pair<const char*, double> table[] = {{"C2", 2},  {"C4", 4},   {"C6", 6},   {"C10", 10}, {"U1", 10}, {"U3", 30},
                                                  {"V6", 6},  {"V10", 10}, {"V30", 30}, {"V60", 60}, {"V90", 90}};
  for (const auto& [name, rate] : table) CHECK(*class_write_bytes_per_s(name) == rate * 1e6);
  CHECK_FALSE(class_write_bytes_per_s("V31").has_value());
  CHECK_FALSE(class_write_bytes_per_s("").has_value());
}

TEST_CASE("an array that rebuilds is named with how far it is") {
  const Tree tree;
  const std::string disk = "devices/virtual/block/md7";
  tree.file(disk + "/stat", "0 0 0 0 0 0 0 0 0 0 0");
  tree.file(disk + "/md/level", "raid5");
  tree.file(disk + "/md/degraded", "1");
  tree.file(disk + "/md/sync_action", "recover");
  tree.file(disk + "/md/sync_completed", "722534400 / 1952795648");
  tree.file(disk + "/slaves/sdb/dev", "8:16");
  tree.file(disk + "/slaves/sda/dev", "8:0");
  tree.link("dev/block/9:7", disk);
  const auto nature = look_at_device(tree.ground(9, 7));
  CHECK(nature.kind == "array");
  CHECK(nature.made_of == std::vector<std::string>{"sda", "sdb"});
  REQUIRE(nature.array.has_value());
  CHECK(*nature.array->done_ratio == Approx(0.37).epsilon(0.001));
  CHECK(says(nature, "lacks 1 disk"));
  CHECK(says(nature, "is rebuilding, 37 % done"));
  // admin-guide/md: "none" when nothing goes on, "delayed" while it waits for another array.
  CHECK_FALSE(parse_array("raid1", "0", "idle", "none").done_ratio.has_value());
  CHECK_FALSE(parse_array("raid1", "0", "resync", "delayed").done_ratio.has_value());
  CHECK_FALSE(parse_array("raid1", "", "resync", "9 / 0").done_ratio.has_value());
  CHECK_FALSE(parse_array("raid1", "x", "resync", "9 / 3").done_ratio.has_value());
}

TEST_CASE("a disk behind a USB bridge, a partition of it, and a read-only device") {
  const Tree tree;
  const std::string interface = "devices/pci0000:00/0000:00:14.0/usb2/2-1/2-1:1.0";
  const std::string disk = interface + "/host6/target6:0:0/6:0:0:0/block/sdc";
  tree.file(disk + "/sdc1/partition", "1");
  tree.file(disk + "/sdc1/stat", "0 0 0 0 5 0 80 9 0 0 0");
  tree.file(disk + "/stat", "0 0 0 0 7 0 160 9 0 0 0");
  tree.file(disk + "/queue/rotational", "1");
  tree.file(disk + "/ro", "1");
  tree.link(interface + "/driver", "bus/usb/drivers/uas");
  tree.link(interface + "/subsystem", "bus/usb");
  tree.link("dev/block/8:33", disk + "/sdc1");
  const auto ground = tree.ground(8, 33);
  const auto nature = look_at_device(ground);
  CHECK(nature.name == "sdc1");
  CHECK(nature.disk == "sdc");
  CHECK(nature.kind == "usb disk");
  CHECK(nature.rotational == true);
  CHECK(nature.read_only);
  CHECK(says(nature, "driver uas"));
  CHECK(read_disk_statistics(ground.folder)->written_sectors == 80);
  CHECK(read_disk_statistics(disk_folder(ground.folder))->written_sectors == 160);
}

TEST_CASE("a card in a reader tells its class; a mapped device and a file shown as a disk are named") {
  const Tree tree;
  const std::string card = "devices/platform/mmc_host/mmc0/mmc0:0001/block/mmcblk0";
  tree.file(card + "/device/type", "SD");
  tree.file(card + "/device/name", "SD64G");
  tree.file(card + "/device/ssr", status({{440, 0x04}, {392, 0x10}, {384, 10}, {336, 1}}));
  tree.file(card + "/mmcblk0p1/partition", "1");
  tree.file(card + "/queue/rotational", "0");
  tree.link("dev/block/179:1", card + "/mmcblk0p1");
  const auto nature = look_at_device(tree.ground(179, 1));
  CHECK(nature.kind == "card");
  CHECK(nature.rotational == false);
  CHECK(says(nature, "of class V10"));
  const nlohmann::json json = nature;
  CHECK(json.at("card").at("uhs_speed_grade") == "U1");

  tree.file("devices/virtual/block/dm-0/dm/name", "depot-video");
  tree.link("dev/block/252:0", "devices/virtual/block/dm-0");
  CHECK(says(look_at_device(tree.ground(252, 0)), "mapped device (depot-video)"));
  tree.file("devices/virtual/block/loop3/loop/backing_file", "/srv/image");
  tree.link("dev/block/7:3", "devices/virtual/block/loop3");
  CHECK(look_at_device(tree.ground(7, 3)).kind == "loop");
  CHECK(look_at_device(tree.ground(1, 1)).kind.empty());
}

TEST_CASE("the mount is the one of this device, nearest to the path") {
  // proc(5), mountinfo: blanks in names are \040.
  const auto* text =
      "21 1 254:0 / / rw,relatime - ext4 /dev/vda rw\n"
      "40 21 254:0 /sub /srv rw,relatime shared:3 master:1 - ext4 /dev/vda rw\n"
      "41 21 0:44 / /mnt/far\\040end ro,relatime - nfs4 192.0.2.9:/video rw,vers=4.2\n"
      "nonsense\n42 21 xx / /y rw - z\n";
  CHECK(parse_mount(text, {254, 0}, "/srv/video")->point == "/srv");
  CHECK(parse_mount(text, {254, 0}, "/srvx")->point == "/");
  const auto far = parse_mount(text, {0, 44}, "/mnt/far end/x");
  REQUIRE(far.has_value());
  CHECK(far->point == "/mnt/far end");
  CHECK(far->source == "192.0.2.9:/video");
  CHECK_FALSE(parse_mount(text, {8, 1}, "/").has_value());
  Ground ground;
  ground.mount = far;
  const auto nature = look_at_device(ground);
  CHECK(nature.kind == "network mount");
  CHECK(says(nature, "nfs4 of 192.0.2.9:/video"));
  ground.mount->filesystem = "tmpfs";
  CHECK(look_at_device(ground).kind == "memory");
  ground.mount->filesystem = "fuse.example";
  CHECK(look_at_device(ground).kind == "program");
}

TEST_CASE("a report goes through JSON whole, and a failed one gives no readings") {
  VolumeReport report;
  report.path = "/srv/video";
  report.sustained_write_bytes_per_s = 2e7;
  report.written_bytes = 2e8;
  report.duration_s = 10;
  report.knee_at_bytes = 1e8;
  report.notes = {"a note"};
  report.unread = {{"slowest_second_bytes_per_s", "too short"}};
  nlohmann::json json = report;
  CHECK(json.at("before_knee_bytes_per_s").is_null());
  CHECK_FALSE(json.contains("error"));
  auto back = report_from_json(json);
  CHECK(back.sustained_write_bytes_per_s == 2e7);
  CHECK(back.knee_at_bytes == 1e8);
  CHECK(back.unread == report.unread);
  CHECK(back.notes == report.notes);
  CHECK(to_readings(back, "x").front().number() == 2e7);
  report.fault = tallywire::Fault{tallywire::FaultKind::system, "it was pulled out", "/srv/video", "put it back"};
  back = report_from_json(report);
  REQUIRE(back.fault.has_value());
  CHECK(back.fault->what == "it was pulled out");
  for (const auto& reading : to_readings(back, "x")) CHECK(reading.unread == "it was pulled out");
  for (const auto* hostile : {"[]", "{\"when\": 5, \"path\": [], \"unread\": 3, \"notes\": {}, \"error\": 1}", "{\"notes\": [1], \"written_bytes\": \"x\"}"})
    CHECK_FALSE(report_from_json(nlohmann::json::parse(hostile)).fault.has_value());
}
