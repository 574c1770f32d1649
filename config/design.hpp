// The design: what the site must be. Read once by load_design (config/loader.hpp), then const.
// Units are in the names. Every id is a short word (letters, digits, - and _), unique in its kind.
// The file format is laid down in docs/design-file.md and config/design.schema.json.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::config {

struct Site {
  std::string name;
  std::string place;     // for the sheet; may be empty
  std::string customer;  // for the sheet; may be empty
};

// Limits and reserves that hold for the whole site. The defaults are common practice (rules of
// thumb, not limits of a standard) and every one can be set in the design.
struct Limits {
  double uplink_ceiling_ratio = 0.70;         // sustained load of an uplink's speed
  double uplink_reserve_ratio = 0.10;         // of the ceiling: inside it the verdict is tight
  double busiest_instant_risk_ratio = 1e-6;   // probability that the busiest instant is exceeded
  double power_reserve_ratio = 0.20;          // of a switch's power budget
  double bit_rate_over_ratio = 0.10;          // a stream may exceed its bit rate by this much
  double bit_rate_under_ratio = 0.50;         // a constant stream may fall short by this much
  double frame_rate_tolerance_ratio = 0.05;
  double loss_limit_ratio = 0.001;
  double jitter_limit_ms = 30;
  double clock_offset_limit_s = 2;
  double volume_reserve_ratio = 0.20;         // write rate beyond the sum of the streams
  double volume_kept_free_ratio = 0.05;       // of the capacity, never filled
  double container_overhead_ratio = 0.02;     // what a recorder writes beyond the stream's own octets
  double path_reserve_ratio = 0.10;           // throughput beyond what the design sends that way
  double tight_ratio = 0.10;                  // of any other limit: nearer than this is tight
  double stream_seconds = 10;                 // how long a round meters each stream
  double lost_after_s = 10;                   // silent for this long and unanswered: lost
  // Drift from the accepted round, docs/drift.md.
  double drift_bit_rate_ratio = 0.50;         // as many times more or less
  double drift_frame_rate_ratio = 0.10;
  double drift_gop_ratio = 0.10;
  double drift_loss_ratio = 0.001;            // of the packets, more than accepted
  double drift_headroom_ratio = 0.15;         // of the uplink's ceiling (mean), of its speed (busiest instant)
  double drift_days_held_ratio = 0.25;
};

struct SnmpAccess {
  std::string version = "2c";  // "2c" or "3"
  std::string secret;          // name of a secret: {community} or {user, auth…, priv…}
  std::uint16_t udp_port = 161;
};

struct Uplink {
  std::string id;
  std::string port;            // port name on this switch
  std::string to;              // id of another switch, of a recorder, or "core"
  std::uint64_t speed_bps = 0;
};

struct Switch {
  std::string id;
  std::string place;
  std::string address;
  std::optional<SnmpAccess> snmp;
  std::vector<std::string> ports;          // names as the switch gives them (ifName)
  std::vector<Uplink> uplinks;
  std::optional<double> power_budget_w;
};

enum class PowerSource { switch_port, injector, auxiliary };
enum class RateMode { constant, capped };
enum class Transport { automatic, tcp, udp, multicast };
enum class CardUse { together, copies };

struct Stream {
  std::string id;              // unique within its head
  std::string use;             // "record", "view", "analyse": a word for people
  std::string codec;           // "H264", "H265", "JPEG"
  int width_px = 0;
  int height_px = 0;
  double frame_rate_hz = 0;
  std::uint64_t bit_rate_bps = 0;
  RateMode rate_mode = RateMode::capped;
  std::optional<int> gop_frames;
  Transport transport = Transport::automatic;
  // Of the RTSP URL: "/head/1/main", on the camera's rtsp_port. Without it the unit is asked by ONVIF.
  std::optional<std::string> path;
};

struct Head {
  std::string id;
  std::string view;            // what it looks at, for people
  std::vector<Stream> streams;
  // The unit's token for it (ONVIF); without it heads go by the unit's order.
  std::optional<std::string> video_source = std::nullopt;
};

struct Card {
  double capacity_bytes = 0;
  std::string speed_class;     // "V30", "U3", "C10", …
};

struct Camera {
  std::string id;
  std::string place;
  std::string switch_id;
  std::string port;
  std::optional<std::string> hardware_address;  // normalised "02:00:5e:10:00:01"
  std::optional<std::string> serial;
  std::optional<std::string> firmware;          // as the unit names it by ONVIF
  std::string address;
  std::uint64_t link_speed_bps = 0;
  PowerSource power_source = PowerSource::switch_port;
  std::optional<int> power_class;               // 0 to 8
  std::optional<double> worst_power_w;          // infrared and heater on
  std::optional<std::string> login_secret;      // name of a secret {user, password}
  bool rtsp_tls = false;
  std::uint16_t rtsp_port = 554;                // 322 where the design says rtsp_tls and no port (RFC 7826 §4.2)
  bool allow_basic_login = false;               // over RTSP in the open, where the password can be read on the way
  bool onvif_https = false;
  std::uint16_t onvif_port = 80;                // 443 where the design says onvif_https and no port
  std::vector<Head> heads;
  std::vector<Card> cards;
  CardUse card_use = CardUse::together;
  std::vector<std::string> card_streams;        // "head/stream" each; none: those whose use is "record"
  double card_days_to_hold = 0;                 // 0: nothing is promised
  std::optional<double> bench_limit_s;          // from the unit's installation guide
  std::optional<double> bench_ambient_min_c;
  std::optional<double> bench_ambient_max_c;
};

struct Volume {
  std::string id;
  std::string path;            // a directory on the machine that holds it
  bool on_far_end = false;     // false: this machine writes it; true: the far end does
  double capacity_bytes = 0;
  double days_to_hold = 0;
  std::vector<std::string> streams;  // "camera/head/stream" each
};

struct Recorder {
  std::string id;
  std::string place;
  std::string address;
  std::string switch_id;
  std::string port;
  std::vector<Volume> volumes;
};

struct FarEndAt {
  std::string address;
  std::uint16_t tcp_port = 7861;
  std::string secret;          // name of a secret {key}
  std::string switch_id;       // where it hangs, for the load on the links between
};

// What only a person can confirm, by eye (config/witness_points.hpp).
enum class WitnessedAt { unit, head, site_switch, site };

struct WitnessPoint {
  std::string id;
  std::string text;            // what is confirmed: "lanyard hooked"
  WitnessedAt at = WitnessedAt::unit;
  std::vector<PowerSource> fed_by;  // of units and heads: only those fed so; empty: all
};

struct Design {
  int format = 1;
  Site site;
  Limits limits;
  std::vector<Switch> switches;
  std::vector<Camera> cameras;
  std::vector<Recorder> recorders;
  std::optional<FarEndAt> far_end;
  std::optional<std::string> entry_switch;  // the switch that this machine is plugged into
  std::optional<std::string> nightly_at;    // "HH:MM" local time
  std::vector<WitnessPoint> witness_points;  // of the design, else the default ones; empty: none
  std::string sha256;          // of the file's octets, hexadecimal

  const Camera* find_camera(const std::string& id) const;
  const Switch* find_switch(const std::string& id) const;
};

// Subjects: the paths by which readings, targets and verdicts name what they speak of.
std::string subject_of(const Camera& camera);                                      // camera/ID
std::string subject_of(const Camera& camera, const Head& head, const Stream& s);   // camera/ID/head/ID/stream/ID
std::string subject_of(const Switch& sw, const std::string& port);                 // switch/ID/port/NAME
std::string subject_of(const Switch& sw, const Uplink& uplink);                    // switch/ID/uplink/ID
std::string subject_of(const Recorder& recorder, const Volume& volume);            // recorder/ID/volume/ID
inline const char* const far_end_subject = "path/far-end";

// "rtsp://192.0.2.10:554/head/1/main"; empty when the design gives no path.
std::string stream_url(const Camera& camera, const Stream& stream);

}  // namespace tallywire::config
