//! What the configuration refuses, with file, line and key.

use super::*;

fn example() -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/plant.toml")).unwrap()
}

fn problems(text: &str) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plant.toml");
    std::fs::write(&path, text).unwrap();
    match Config::read(&path) {
        Ok(_) => Vec::new(),
        Err(problems) => problems.iter().map(|p| format!("{}: {}: {}", p.line, p.key, p.problem)).collect(),
    }
}

#[test]
fn the_example_holds_and_shows_every_key() {
    assert_eq!(problems(&example()), Vec::<String>::new());
    let shown: String =
        example().lines().map(|line| line.strip_prefix("# ").unwrap_or(line).to_owned() + "\n").collect();
    for key in [
        "username",
        "password_file",
        "password_env",
        "tls",
        "ca_file",
        "client_cert_file",
        "client_key_file",
        "server_name",
        "window",
        "surfaces",
        "measures",
        "min_stop_s",
        "shape",
        "stale_after_h",
        "words",
        "surface_priors",
        "reading",
        "https",
        "session_h",
        "max_photo_mib",
        "ask_rebirth",
        "share",
        "stuck_min",
        "spike",
        "late_min",
        "skew_s",
        "ahead_s",
        "behind_days",
        "database",
        "database_password_file",
        "database_password_env",
        "keep_days",
        "plating_used_um",
        "grade_after",
        "starts_life",
        "renews_plating",
        "address",
        "raise_at",
        "clear_at",
        "ahead_h",
        "raise_after_h",
        "clear_after_h",
        "webhook",
        "secret_file",
        "secret_env",
        "mail",
        "kinds",
        "cleared",
        "timeout_s",
        "pause_s",
        "give_up_after_h",
        "from",
        "room",
        "open_cost",
        "late_cost",
        "money",
        "without_crew",
        "grade_fall",
        "catch_depth_um",
        "mirror_correlation",
        "meter_off_h",
        "entered_after_h",
        "torque_apart",
        "text",
        "temperature",
    ] {
        assert!(shown.contains(&format!("{key} =")), "{key} is not shown in config/plant.toml");
    }
}

fn with_topic(keys: &str) -> Vec<String> {
    problems(&format!("{}\n[[topics]]\nunit = \"K1\"\n{keys}\n", example()))
}

#[test]
fn every_way_of_writing_values_can_be_configured() {
    for keys in [
        "topic = \"t\"\nsignal = \"pressure\"\nmeasure = \"bar\"\nloop_range = [0, 100]\nreversed = true",
        "topic = \"t\"\nsignal = \"flow\"\nmeasure = \"m³/h\"\npayload = \"json\"\neach = \"/r\"\nvalue = \"v\"\nmeasure_at = \"uom\"\nentry = { at = \"tag\", name = \"K1.F\" }\ntime = \"t\"\ntime_format = \"ns\"",
        "topic = \"t\"\nsignal = \"flow\"\nmeasure = \"m³/h\"\npayload = \"opcua\"\nfield = \"K1.F\"\nwriter = \"7\"",
        "topic = \"spBv1.0/mill/+/line1/K1\"\nsignal = \"flow\"\nmeasure = \"m³/h\"\npayload = \"sparkplug\"\nmetric = \"Flow/Product\"",
        "topic = \"t\"\nsignal = \"torque\"\nmeasure = \"%\"\nrated_nm = 49.4\ngear_ratio = 5\nefficiency = 0.95",
    ] {
        assert_eq!(with_topic(keys), Vec::<String>::new(), "{keys}");
    }
}

#[test]
fn what_a_payload_does_not_have_or_lacks_is_named() {
    for (keys, key, why) in [
        ("topic = \"t\"\nsignal = \"flow\"\nmeasure = \"m³/h\"\nvalue = \"/v\"", "value", "payload = \"json\""),
        ("topic = \"t\"\nsignal = \"flow\"\nmeasure = \"m³/h\"\npayload = \"opcua\"", "topics[5]", "needs field"),
        (
            "topic = \"t\"\nsignal = \"flow\"\nmeasure = \"m³/h\"\npayload = \"opcua\"\nfield = \"F\"\ntime = \"/t\"",
            "time",
            "its own time",
        ),
        (
            "topic = \"t\"\nsignal = \"flow\"\nmeasure = \"m³/h\"\npayload = \"sparkplug\"\nmetric = \"F\"",
            "topic",
            "none of Sparkplug",
        ),
        (
            "topic = \"t\"\nsignal = \"flow\"\nmeasure = \"m³/h\"\npayload = \"json\"\nvalue = \"v\"\nentry = { at = \"a\", name = \"b\" }",
            "entry",
            "needs each",
        ),
        ("topic = \"t\"\nsignal = \"torque\"\nmeasure = \"%\"\ngear_ratio = 5", "measure", "rated_nm, efficiency"),
        ("topic = \"t\"\nsignal = \"flow\"\nmeasure = \"m³/h\"\ngear_ratio = 5", "gear_ratio", "drive's torque"),
        ("topic = \"t\"\nsignal = \"flow\"\nmeasure = \"m³/h\"\nloop_range = [4, 4]", "topic", "4 mA and 20 mA"),
    ] {
        let found = with_topic(keys);
        assert!(found.iter().any(|p| p.contains(key) && p.contains(why)), "{keys}: {found:#?}");
    }
}

#[test]
fn doubts_are_set_per_signal_and_0_switches_one_off() {
    let text = example() + "\n[belief.torque]\nstuck_min = 0\nspike = 50.0\n[belief.run_hours]\nlate_min = 1440\n";
    assert_eq!(problems(&text), Vec::<String>::new());
    let wrong = problems(&(example() + "\n[belief.mode]\nspike = 1.0\n[belief.speed]\nspike = -1.0\n"));
    assert!(wrong.len() == 2 && wrong[0].contains("is a word") && wrong[1].contains("out of range"), "{wrong:#?}");
}

#[test]
fn each_problem_names_its_line_and_key() {
    let text = example()
        .replace("time_zone = \"Europe/Amsterdam\"", "time_zone = \"Mars/Base\"")
        .replace("bore_mm = 152.4", "bore_mm = -1")
        .replace("measure = \"N·m\"", "measure = \"pounds\"")
        .replace("horizons_h = [250.0, 500.0, 1000.0]", "horizons_h = [500.0, 250.0]");
    let found = problems(&text);
    let line = |needle: &str| text.lines().position(|line| line.contains(needle)).unwrap() + 1;
    for (needle, key) in [
        ("Mars/Base", "site.time_zone"),
        ("bore_mm = -1", "unit_defaults.bore_mm"),
        ("measure = \"pounds\"", "topics[0].measure"),
        ("horizons_h = [500.0", "model.horizons_h"),
    ] {
        let begin = format!("{}: ", line(needle));
        assert!(found.iter().any(|p| p.starts_with(&begin) && p.contains(key)), "{key} is not among {found:#?}");
    }
}

#[test]
fn beyond_this_machine_it_must_be_said_who_may_read() {
    let open = example().replace("listen = \"127.0.0.1:8080\"", "listen = \"0.0.0.0:8080\"");
    let found = problems(&open);
    assert!(found.len() == 1 && found[0].contains("access.reading: "), "{found:#?}");
    for reading in ["open", "login"] {
        let said = open.replace("[access]\n", &format!("[access]\nreading = \"{reading}\"\n"));
        assert_eq!(problems(&said), Vec::<String>::new());
    }
    let wrong = problems(&open.replace("[access]\n", "[access]\nreading = \"all\"\n"));
    assert!(wrong.len() == 1 && wrong[0].contains("right would be open or login"), "{wrong:#?}");
}

#[test]
fn a_password_in_the_config_is_refused_and_not_repeated() {
    for address in [
        "postgresql://plant:fondant@db/record",
        "postgresql://db/record?password=fondant",
        "postgresql://plant:fon?dant@db/record",
        "postgresql://plant:fondant/@db",
    ] {
        let text = example().replace("# database = \"sqlite\"", &format!("database = \"{address}\""));
        let found = problems(&text);
        assert!(found.len() == 1 && found[0].contains("data.database: a password stands in the config"), "{found:#?}");
        assert!(!found[0].contains("fondant"), "{found:#?}");
    }
    let text = example().replace("# database = \"sqlite\"", "database = \"mysql://db\"");
    assert!(problems(&text)[0].contains("right would be \"sqlite\" or a URL"));
    let text = example().replace("# database = \"sqlite\"", "database = \"postgresql://plant@db/record\"");
    assert_eq!(problems(&text), Vec::<String>::new());
}

#[test]
fn work_cannot_leave_the_limit_behind() {
    let with = |line: &str| problems(&(example() + "\n[work.other]\n" + line));
    assert_eq!(with("starts_life = true\ngrade_after = 1"), Vec::<String>::new());
    assert!(with("starts_life = true\ngrade_after = 2")[0].contains("a life cannot begin with grade 2"));
    assert!(with("grade_after = 1")[0].contains("work.other.grade_after: this work starts no life"));
}

#[test]
fn an_unknown_key_is_refused_with_its_line() {
    let text = example().replace("[http]\n", "[http]\nport = 80\n");
    let line = text.lines().position(|line| line == "port = 80").unwrap() + 1;
    let found = problems(&text);
    assert!(found[0].starts_with(&format!("{line}: ")) && found[0].contains("unknown field `port`"), "{found:#?}");
}

#[test]
fn advice_is_cleared_below_where_it_is_raised() {
    let with = |keys: &str| problems(&example().replace("[advice]\n", &format!("[advice]\n{keys}\n")));
    assert_eq!(with("raise_at = 0.4\nclear_at = 0.3\nahead_h = 1000.0\nraise_after_h = 0.0"), Vec::<String>::new());
    for (keys, said) in [
        ("raise_at = 0.4\nclear_at = 0.4", "advice would flicker"),
        ("raise_at = 30.0", "30 (a chance) is out of range"),
        ("ahead_h = 1001.0", "right would be 0 to 1000 h"),
        ("clear_after_h = nan", "is out of range"),
    ] {
        let problems = with(keys);
        assert!(problems.iter().any(|problem| problem.contains(said)), "{keys}: {problems:?}");
    }
}

#[test]
fn costs_come_in_pairs_and_in_order() {
    let with = |keys: &str| problems(&example().replace("[opening]\n", &format!("[opening]\n{keys}\n")));
    let whole =
        "room = 2\nopen_cost = [1.0, 2.0]\nlate_cost = [9.0, 9.0]\nwithout_crew = [[\"2026-07-20\", \"2026-08-03\"]]";
    assert_eq!(with(whole), Vec::<String>::new());
    for (keys, said) in [
        ("open_cost = [1.0, 2.0]", "late_cost: it is missing"),
        ("late_cost = [1.0, 2.0]", "open_cost: it is missing"),
        ("open_cost = [2.0, 1.0]\nlate_cost = [1.0, 1.0]", "1 is below 2"),
        ("open_cost = [0.0, 1.0]\nlate_cost = [1.0, 1.0]", "0 of the plant's money is out of range"),
        ("without_crew = [[\"2026-08-03\", \"2026-07-20\"]]", "is not after"),
        ("without_crew = [[\"20.7.2026\", \"2026-08-03\"]]", "right would be a day"),
    ] {
        let problems = with(keys);
        assert!(problems.iter().any(|problem| problem.contains(said)), "{keys}: {problems:?}");
    }
}

#[test]
fn how_numbers_are_shown_is_taken_in_any_spelling_and_nonsense_is_refused_with_its_line() {
    let with = |lines: &str| example().replace("[site.display]\n", &format!("[site.display]\n{lines}\n"));
    let line = 1 + example().lines().position(|line| line == "[site.display]").unwrap() + 1;
    assert_eq!(
        problems(&with("torque = \"lbf·in\"\ntemperature = \"degF\"\ndecimal = \"comma\"")),
        Vec::<String>::new()
    );
    assert_eq!(
        problems(&with("torque = \"furlong\"")),
        [format!("{line}: site.display.torque: torque = \"furlong\" is not known; right would be Nm or lbf.in")]
    );
    assert!(problems(&with("colour = \"red\""))[0].starts_with(&format!("{line}: site.display.colour: ")));
}

#[test]
fn a_translation_is_read_and_what_is_wrong_in_it_is_told_with_its_own_line() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plant.toml");
    std::fs::write(&path, example().replace("[site]\n", "[site]\ntext = \"pages.ftl\"\n")).unwrap();
    let read = |source: Option<&str>| {
        source.iter().for_each(|source| std::fs::write(folder.path().join("pages.ftl"), source).unwrap());
        Config::read(&path).map(|config| config.text_missing).map_err(|problems| problems[0].to_string())
    };
    let missing = read(None).unwrap_err();
    assert!(missing.contains("site.text: ") && missing.contains("pages.ftl cannot be read"), "{missing}");
    let wrong = read(Some("language = de\nboard-hold = Halt { $wer }\n")).unwrap_err();
    assert!(wrong.contains("pages.ftl:2: board-hold: $wer is not given here; right would be none"), "{wrong}");
    let left_out = read(Some("language = de\nboard-hold = Halt\n")).unwrap();
    assert!(left_out.contains(&"caution-flakes") && !left_out.contains(&"board-hold"), "{left_out:?}");
}
