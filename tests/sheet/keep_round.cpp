// keep_round DIRECTORY DOCUMENT.json…: each document becomes a round of the record there, in order; "accepted_by" in it accepts it.
#include "daemon/record/record.hpp"

#include <cstdio>
#include <fstream>

int main(int argc, char** argv) {
  if (argc < 3) return 2;
  auto record = tallywire::record::Record::open(argv[1]);
  if (!record) {
    std::fprintf(stderr, "%s\n", record.error().sentence().c_str());
    return 3;
  }
  for (int i = 2; i < argc; ++i) {
    std::ifstream in(argv[i]);
    auto document = nlohmann::json::parse(in);
    tallywire::record::RoundHead head;
    head.kind = document.at("kind");
    head.site = document.at("site");
    head.design_sha256 = document.at("design_sha256");
    head.started = tallywire::from_rfc3339(document.at("started"));
    const auto id = (*record)->begin_round(head);
    if (!id) return 3;
    document["round"] = *id;
    if (!(*record)->end_round(*id, document.at("state"), document)) return 3;
    if (document.contains("accepted_by") && !(*record)->accept_round(*id, document.at("accepted_by"), tallywire::now_utc())) return 3;
    std::printf("%lld\n", static_cast<long long>(*id));
  }
  return 0;
}
