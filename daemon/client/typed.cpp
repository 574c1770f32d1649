#include "daemon/client/typed.hpp"

#include <charconv>
#include <string_view>

namespace tallywire::client {

CLI::Option* add_round_number(CLI::App& app, const std::string& option, std::function<void(std::int64_t)> take, const std::string& help) {
  const auto check = [](const std::string& text) -> std::string {
    std::int64_t number = 0;
    const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), number);
    const bool whole = code == std::errc() && end == text.data() + text.size() && number > 0;
    return whole ? "" : "the number of a round is asked, such as 12; the page lists them";
  };
  return app.add_option_function<std::string>(option, [take = std::move(take)](const std::string& text) { take(std::stoll(text)); }, help)
      ->type_name("NUMBER")
      ->check(CLI::Validator(check, ""));
}

std::string unknown_command(const CLI::App& app, int argc, const char* const* argv) {
  const CLI::App* level = &app;
  std::string path = app.get_name();
  for (int i = 1; i < argc && level->get_require_subcommand_min() > 0; ++i) {
    const std::string word = argv[i];
    if (word.starts_with("-")) return "";  // the parser's to judge
    const auto named = level->get_subcommands([&word](const CLI::App* one) { return one->get_name() == word; });
    if (named.empty()) return path + ": there is no command " + word + "; see " + path + " --help";
    level = named.front();
    path += " " + word;
  }
  return "";
}

}  // namespace tallywire::client
