//! Keys and references: misspelt, misplaced, missing, used twice.

use super::{CAR, car, car_says, change, sheet_says};
use spinover::files;

#[test]
fn misspelt_keys_get_the_nearest_one() {
    car_says(
        "label = \"Engine\"",
        "labl = \"Engine\"",
        "labl",
        &["unknown key `labl` in [[channel]]", "did you mean `label`?"],
    );
    car_says(
        "figures =",
        "figure =",
        "figure =",
        &["`figure`", "`figures`"],
    );
    car_says(
        "[tank]",
        "[tnak]",
        "tnak",
        &["`tnak`", "at the top of the file", "did you mean `tank`?"],
    );
    car_says(
        "text = \"Idle up\"",
        "txt = \"x\", text = \"Idle up\"",
        "txt",
        &["in calls", "`text`"],
    );
    car_says(
        "form = \"clock\"",
        "from = \"clock\"",
        "from",
        &["[replay.time]", "`form`"],
    );
    sheet_says(
        "dwell_s",
        "dwel_s",
        "dwel_s",
        &["[[phase.step]]", "`dwell_s`"],
    );
    sheet_says("for_s", "fors", "fors", &["[[phase.step.gate]]", "`for_s`"]);
    sheet_says("firing", "fireing", "fireing", &["[[phase]]", "`firing`"]);
}

#[test]
fn a_key_like_no_other_gets_the_list() {
    car_says(
        "label = \"Engine\"",
        "xyzzy = 1",
        "xyzzy",
        &["known here: key, label, unit"],
    );
}

#[test]
fn keys_under_the_wrong_header_are_sent_home() {
    let moved = change(CAR, "sources = [\"sim:\"]\n", "") + "sources = [\"sim:\"]\n";
    let errors = files::parse_car("car.toml", &moved)
        .unwrap_err()
        .to_string();
    assert!(
        errors.contains("`sources` belongs at the top of the file"),
        "{errors}"
    );
    let says = [
        "`caution` belongs to [[phase.step]]",
        "above this [[phase.step.gate]]",
    ];
    sheet_says(
        "at_least = 1200",
        "at_least = 1200\ncaution = \"Hot\"",
        "caution",
        &says,
    );
}

#[test]
fn unknown_references_get_the_nearest() {
    let strips = "[\"engine_rpm\", \"oil_pressure\"]";
    car_says(
        strips,
        "[\"engine_rpm\", \"oil_presure\"]",
        "\"oil_presure\"",
        &["did you mean `oil_pressure`?"],
    );
    car_says(
        "to = \"idle\"",
        "to = \"idel\"",
        "\"idel\"",
        &["no role `idel`", "did you mean `idle`?"],
    );
    car_says(
        "[\"warm\"]",
        "[\"wram\"]",
        "\"wram\"",
        &["unknown figure", "`warm`"],
    );
    car_says(
        "unit = \"psi\"",
        "unit = \"psy\"",
        "\"psy\"",
        &["unknown unit `psy`", "did you mean `psi`?"],
    );
    car_says(
        "form = \"clock\"",
        "form = \"clok\"",
        "\"clok\"",
        &["form of time", "`clock`"],
    );
    let gate = "channel = \"oil_pressure\"";
    sheet_says(
        gate,
        "channel = \"oil_presure\"",
        "\"oil_presure\"",
        &["no channel `oil_presure`", "`oil_pressure`"],
    );
    sheet_says(
        "bands = { ",
        "bands = { engin_rpm = [1, 2], ",
        "engin_rpm",
        &["no channel `engin_rpm`", "`engine_rpm`"],
    );
    sheet_says(
        "owner = \"idle\"",
        "owner = \"idl\"",
        "\"idl\"",
        &["no role `idl`", "`idle`"],
    );
}

#[test]
fn missing_keys_are_told_at_their_table() {
    car_says(
        "team = \"Larkspur Racing\"\n",
        "",
        "name",
        &["the file has no `team`", "Larkspur Racing"],
    );
    car_says(
        "plausible = [0, 12000]\n",
        "",
        "[[channel]]",
        &["[[channel]] has no `plausible`"],
    );
    car_says(
        "capacity = 17\n",
        "",
        "[tank]",
        &["[tank] has no `capacity`"],
    );
    car_says("unit = \"gal\"\n", "", "[tank]", &["[tank] has no `unit`"]);
    car_says(
        "column = \"TIME\", ",
        "",
        "{ form",
        &["[replay.time] has no `column`"],
    );
    car_says(
        "time = { column = \"TIME\", form = \"clock\" }\n",
        "",
        "[replay]",
        &["[replay] has no `time`"],
    );
    car_says("text = \"Idle up\", ", "", "{ to", &["calls has no `text`"]);
    sheet_says(
        "owner = \"idle\"\n",
        "",
        "[[phase.step]]\nkey = \"oil_up\"",
        &["[[phase.step]] has no `owner`"],
    );
    sheet_says(
        "channel = \"oil_pressure\"\n",
        "",
        "[[phase.step.gate]]\nin_band",
        &["has no `channel`"],
    );
    sheet_says(
        "name = \"Off\"\n",
        "",
        "[[phase]]\nkey = \"off\"",
        &["[[phase]] has no `name`"],
    );
    sheet_says(
        "at_least = 1200\n",
        "",
        "[[phase.step.gate]]\nchannel = \"engine_rpm\"",
        &["asks nothing", "`at_least = 60`"],
    );
}

#[test]
fn missing_tables_are_told() {
    let errors = files::parse_car("car.toml", "team = \"T\"\nname = \"N\"\n")
        .unwrap_err()
        .to_string();
    assert!(
        errors.contains("no `channel`")
            && errors.contains("[[channel]]")
            && errors.contains("no `role`"),
        "{errors}"
    );
    let errors = files::parse_sheet("sheet.toml", "key = \"k\"\nname = \"N\"\n", &car())
        .unwrap_err()
        .to_string();
    assert!(errors.contains("no `phase`"), "{errors}");
    let stepless =
        "key = \"k\"\nname = \"N\"\n[[phase]]\nkey = \"off\"\nname = \"Off\"\nshut_down = true\n";
    let errors = files::parse_sheet("sheet.toml", stepless, &car())
        .unwrap_err()
        .to_string();
    assert!(
        errors.starts_with("sheet.toml:3:1: [[phase]] has no `step`; "),
        "{errors}"
    );
    let empty = stepless.to_owned() + "step = []\n";
    let errors = files::parse_sheet("sheet.toml", &empty, &car())
        .unwrap_err()
        .to_string();
    assert!(
        errors.starts_with(
            "sheet.toml:7:8: `step` is an empty list; write at least one `[[phase.step]]`"
        ),
        "{errors}"
    );
}

#[test]
fn keys_are_unique() {
    let twice = "[[channel]]\nkey = \"engine_rpm\"\nunit = \"V\" # again\nplausible = [0, 1]\n\n[[role]]\nkey = \"chief\"";
    let says = ["`engine_rpm` is on line 15 already", "a key of its own"];
    car_says(
        "[[role]]\nkey = \"chief\"",
        twice,
        "\"engine_rpm\"\nunit = \"V\"",
        &says,
    );
    let twice = "key = \"idle\"\n[[role]]\nkey = \"chief\"\nlabel = \"x\"";
    car_says(
        "key = \"idle\"\n",
        twice,
        "\"chief\"\nlabel",
        &["role `chief` is on line 35 already"],
    );
    sheet_says(
        "key = \"off\"",
        "key = \"run\" # again",
        "\"run\" # again",
        &["phase `run` is on line 5 already"],
    );
    sheet_says(
        "key = \"stopped\"",
        "key = \"oil_up\" # again",
        "\"oil_up\" # again",
        &["step `oil_up` is on line 25 already"],
    );
}

#[test]
fn keys_are_plain() {
    let says = ["not fit for a key", "`key = \"left_side\"`"];
    car_says(
        "key = \"idle\"\n",
        "key = \"idle\"\n[[role]]\nkey = \"Left Side!\"\n",
        "\"Left Side!\"",
        &says,
    );
    sheet_says(
        "key = \"off\"",
        "key = \"ÖÖ\"",
        "\"ÖÖ\"",
        &["a-z, 0-9 and _"],
    );
    let long = format!("key = \"{}\"", "k".repeat(41));
    sheet_says(
        "key = \"off\"",
        &long,
        "\"kkk",
        &["41 characters", "40 or fewer"],
    );
}

#[test]
fn a_list_names_each_thing_once() {
    let strips = "[\"engine_rpm\", \"oil_pressure\"]";
    car_says(
        strips,
        "[\"engine_rpm\", \"engine_rpm\"]",
        "\"engine_rpm\"]",
        &["listed twice"],
    );
    car_says(
        "[\"warm\"]",
        "[\"warm\", \"warm\"]",
        "\"warm\"]",
        &["listed twice"],
    );
}
