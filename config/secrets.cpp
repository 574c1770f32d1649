#include "config/secrets.hpp"

#include "config/object_reader.hpp"

#include <sys/stat.h>

#include <cstdlib>
#include <fstream>
#include <set>
#include <sstream>

namespace tallywire::config {
namespace {

constexpr std::size_t least_key_octets = 16;

// Sets of keys that make a secret; each secret must have exactly one of these kinds.
const std::vector<std::set<std::string>> kinds = {
    {"user", "password"},
    {"community"},
    {"user", "auth_protocol", "auth_password", "privacy_protocol", "privacy_password"},
    {"key"},
};

std::optional<std::string> field(const std::map<std::string, std::map<std::string, std::string>>& all,
                                 const std::string& name, const char* key) {
  const auto secret = all.find(name);
  if (secret == all.end()) return std::nullopt;
  const auto found = secret->second.find(key);
  if (found == secret->second.end()) return std::nullopt;
  return found->second;
}

std::string credential_path() {
  const char* directory = std::getenv("CREDENTIALS_DIRECTORY");
  if (!directory) return {};
  const std::string path = std::string(directory) + "/tallywire.secrets";
  struct stat info{};
  return ::stat(path.c_str(), &info) == 0 ? path : std::string();
}

// What is wrong with how a file is kept; empty when nothing is.
std::string mode_fault(const std::string& path) {
  struct stat info{};
  if (::stat(path.c_str(), &info) != 0)
    return "the secrets file " + path + " cannot be read; check its name and owner";
  if (info.st_mode & 077)
    return "the secrets file " + path + " can be read by others; type: chmod 600 " + path;
  return {};
}

// The names of the keys only: a value never stands in a message.
std::string kind_fault(const std::string& name, const std::map<std::string, std::string>& fields) {
  std::set<std::string> keys;
  for (const auto& [key, value] : fields) keys.insert(key);
  for (const auto& kind : kinds)
    if (kind == keys) return {};
  return "the secret “" + name +
         "” must hold user and password, or community, or user, auth_protocol, auth_password, "
         "privacy_protocol and privacy_password, or key";
}

}  // namespace

std::optional<LoginSecret> Secrets::login(const std::string& name) const {
  const auto user = field(by_name_, name, "user"), password = field(by_name_, name, "password");
  if (!user || !password) return std::nullopt;
  return LoginSecret{*user, *password};
}

std::optional<SnmpSecret> Secrets::snmp(const std::string& name) const {
  if (const auto community = field(by_name_, name, "community")) {
    SnmpSecret out;
    out.community = *community;
    return out;
  }
  const auto user = field(by_name_, name, "user"), auth = field(by_name_, name, "auth_password");
  if (!user || !auth) return std::nullopt;
  return SnmpSecret{{},
                    *user,
                    field(by_name_, name, "auth_protocol").value_or("SHA"),
                    *auth,
                    field(by_name_, name, "privacy_protocol").value_or("AES"),
                    field(by_name_, name, "privacy_password").value_or("")};
}

std::optional<std::string> Secrets::key(const std::string& name) const { return field(by_name_, name, "key"); }
std::optional<std::string> Secrets::token(const std::string& name) const { return key(name); }

LoadedSecrets load_secrets(const std::string& given) {
  LoadedSecrets out;
  const bool credential = given.empty();
  const std::string path = credential ? credential_path() : given;
  if (path.empty()) return out;
  // systemd keeps credentials for the service alone; their mode is its own affair.
  if (const auto fault = credential ? std::string() : mode_fault(path); !fault.empty()) {
    out.faults.push_back(fault);
    return out;
  }
  std::ifstream in(path, std::ios::binary);
  std::ostringstream text;
  text << in.rdbuf();
  const auto read = read_json_text(text.str());
  ReadingFile file{path, read, {}};
  for (const auto& fault : read.faults)
    file.faults.push_back({path, fault.at.line, fault.at.column, fault.pointer, fault.what, fault.right});
  if (!read.value.is_discarded()) {
    ObjectReader all(file, "");
    for (const auto& name : all.names()) {
      ObjectReader one(file, all.at(name.c_str()));
      auto& fields = out.secrets.by_name_[name];
      for (const auto& key : one.names()) fields[key] = one.word(key.c_str());
      if (const auto fault = kind_fault(name, fields); !fault.empty())
        file.fault(all.at(name.c_str()), fault, "see docs/design-file.md");
      const auto key = fields.find("key");
      if (key != fields.end() && key->second.size() < least_key_octets)
        file.fault(all.at(name.c_str()), "the key of “" + name + "” is shorter than 16 characters",
                   "make one with: openssl rand -hex 32");
    }
  }
  for (const auto& fault : file.faults) out.faults.push_back(fault.sentence());
  if (!out.faults.empty()) out.secrets = Secrets();
  return out;
}

}  // namespace tallywire::config
