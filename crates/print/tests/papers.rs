//! The papers: what is refused and in which words, and that the same input gives the same bytes. What stands on the pages
//! is read back in tests/python/test_print.py.
#![allow(clippy::unwrap_used)]

use earlywood_print::custody::{self, CustodyForm, CustodyItem};
use earlywood_print::engine::Made;
use earlywood_print::labels::{self, TrapLabel, TrapLabels};
use earlywood_print::notice::{self, DoorNotice};
use earlywood_print::safety::{self, CrewSafety, PROMPTS};
use earlywood_print::specimens::{self, SpecimenLabels, check_digit, is_right, number};
use earlywood_print::stock::{LabelSheet, NAMES, Paper};
use jiff::civil::date;

fn made() -> Made {
    date(2025, 6, 1).at(8, 30, 0, 0)
}

fn traps(sheet: &str, start_at: usize, count: usize) -> TrapLabels {
    TrapLabels {
        sheet: sheet.parse().unwrap(),
        start_at,
        programme: "Lindenau District pest watch".to_owned(),
        call: None,
        invented: None,
        traps: (1..=count)
            .map(|i| TrapLabel {
                label: format!("T-{i:04}"),
                ..TrapLabel::default()
            })
            .collect(),
        made: made(),
    }
}

fn pages(pdf: &[u8]) -> usize {
    let text = String::from_utf8_lossy(pdf);
    text.matches("/Type/Page/").count() + text.matches("/Type /Page\n").count()
}

fn refusal<T>(result: Result<T, impl std::error::Error>) -> String {
    result.err().unwrap().to_string()
}

#[test]
fn every_ready_sheet_can_be_and_prints() {
    for (name, _) in NAMES {
        let sheet: LabelSheet = name.parse().unwrap();
        sheet.check().unwrap();
        let input = traps(name, 1, 2);
        assert_eq!(
            labels::traps(&input).unwrap(),
            labels::traps(&input).unwrap(),
            "{name}"
        );
    }
}

#[test]
fn labels_fill_pages_from_the_one_that_is_named() {
    for (start_at, count, expected) in [(1, 24, 1), (1, 25, 2), (24, 1, 1), (24, 2, 2), (3, 47, 3)] {
        let pdf = labels::traps(&traps("a4-70x37", start_at, count)).unwrap();
        assert_eq!(pages(&pdf), expected, "from {start_at}, {count} labels");
    }
}

#[test]
fn an_own_sheet_is_read() {
    let sheet: LabelSheet = "70x37,3,8,0,0.5".parse().unwrap();
    assert_eq!(Some(sheet), LabelSheet::named("a4-70x37"));
    let sheet: LabelSheet = "99.1x38.1,2,7,4.65,15.15,2.5,0".parse().unwrap();
    assert_eq!(Some(sheet), LabelSheet::named("a4-99x38"));
    let centred: LabelSheet = "50x30,2,3@letter".parse().unwrap();
    assert!((centred.left_mm - 57.95).abs() < 1e-9 && (centred.top_mm - 94.7).abs() < 1e-9);
    assert_eq!(
        "62x29,1,1@62x29".parse::<LabelSheet>().unwrap(),
        LabelSheet::named("roll-62x29").unwrap()
    );
}

#[test]
fn a_sheet_of_wrong_size_is_refused_by_its_figure() {
    for (text, word) in [
        (
            "80x37,3,8",
            "number of columns is 3; with its margin and gaps that is 240.0 mm wide, and the page is 210.0",
        ),
        ("70x37,3,9", "number of rows is 9"),
        ("70x37,3,8,5,0", "number of columns is 3"),
        ("0x37,3,8", "a label's width is 0 mm"),
        ("70x-37,3,8", "a label's height is -37 mm"),
        ("NaNx37,3,8", "a label's width is NaN mm"),
        ("70xinf,3,8", "a label's height is inf mm"),
        ("70x37,0,8", "number of columns is 0"),
        ("70x37,3,8,-1,0", "the left margin is -1 mm"),
        ("70x37,3,8,0,0,0,-2", "the gap between rows is -2 mm"),
        ("70x37,3,8@5000x5000", "the page's width is 5000 mm"),
        ("70x37,3", "its text is"),
        ("70x37", "its text is"),
        ("", "its text is"),
        ("70x37,3,8,1", "its text is"),
        ("70x37,3,99999999999999999999", "its text is"),
    ] {
        let told = refusal(text.parse::<LabelSheet>());
        assert!(told.contains(word), "{text}: {told}");
    }
}

#[test]
fn a_code_too_small_to_read_is_refused() {
    let told = refusal(labels::traps(&traps("14x10,10,20", 1, 1)));
    assert!(
        told.contains("14 mm by 10 mm") && told.contains("0.33 mm"),
        "{told}"
    );
    let mut input = traps("40x15,4,10", 1, 1);
    labels::traps(&input).unwrap();
    input.traps[0].label = "x".repeat(200);
    assert!(refusal(labels::traps(&input)).contains("shorter numbers"));
}

#[test]
fn labels_that_can_not_be_are_refused() {
    assert!(refusal(labels::traps(&traps("a4-70x37", 0, 1))).contains("label to start at is 0"));
    assert!(refusal(labels::traps(&traps("a4-70x37", 25, 1))).contains("labels 1 to 24"));
    assert!(refusal(labels::traps(&traps("a4-70x37", 1, 0))).contains("number of labels is 0"));
    assert!(refusal(labels::traps(&traps("a4-70x37", 1, 3001))).contains("3001"));
    let mut input = traps("a4-70x37", 1, 1);
    input.traps[0].label = " ".to_owned();
    assert!(refusal(labels::traps(&input)).contains("empty"));
}

/// What Damm's table promises, for every number of four digits: any one wrong digit and any swap of neighbours is noticed.
#[test]
fn the_check_digit_notices_every_wrong_digit_and_every_swap() {
    assert_eq!(
        check_digit("572"),
        4,
        "the example that is usually given with the table"
    );
    for value in 0..10_000 {
        let bare = format!("{value:04}");
        let mut right = bare.clone().into_bytes();
        right.push(b'0' + check_digit(&bare));
        let noticed = |digits: &[u8]| check_digit(std::str::from_utf8(digits).unwrap()) != 0;
        assert!(!noticed(&right));
        for i in 0..right.len() {
            for digit in b'0'..=b'9' {
                let mut wrong = right.clone();
                wrong[i] = digit;
                assert_eq!(noticed(&wrong), digit != right[i]);
            }
            if i + 1 < right.len() && right[i] != right[i + 1] {
                let mut wrong = right.clone();
                wrong.swap(i, i + 1);
                assert!(noticed(&wrong), "{bare}");
            }
        }
    }
}

#[test]
fn specimen_numbers_have_a_year_a_serial_and_a_check_digit() {
    let first = number(2025, 123).unwrap();
    assert_eq!(&first[..12], "2025-000123-");
    assert!(is_right(&first));
    assert!(
        !is_right("2025-000132-3") && !is_right("2025-000123") && !is_right("") && !is_right("2025 000123 3")
    );
    for (year, serial) in [(2025, 0), (2025, 1_000_000), (25, 1), (-2025, 1)] {
        number(year, serial).unwrap_err();
    }
}

#[test]
fn a_series_has_two_or_three_of_each_and_ends_with_the_year_s_numbers() {
    let series = |first, count, copies| {
        let (sheet, programme) = ("letter-67x25".parse().unwrap(), "P".to_owned());
        let year = 2025;
        specimens::series(&SpecimenLabels {
            sheet,
            start_at: 1,
            programme,
            invented: None,
            year,
            first,
            count,
            copies,
            made: made(),
        })
    };
    assert_eq!(pages(&series(1, 10, 3).unwrap()), 1);
    assert_eq!(pages(&series(1, 16, 2).unwrap()), 2);
    assert_eq!(series(1, 5, 2).unwrap(), series(1, 5, 2).unwrap());
    assert!(refusal(series(1, 5, 1)).contains("2 or 3"));
    assert!(refusal(series(999_999, 2, 2)).contains("1000000"));
    assert!(refusal(series(1, u32::MAX, 2)).contains("count of numbers"));
    assert!(refusal(series(u32::MAX, 2, 2)).contains("running number"));
    assert!(refusal(series(1, 0, 2)).contains("number of labels is 0"));
}

#[test]
fn the_custody_form_is_blank_or_long() {
    let form = |count: usize, blank_rows| {
        let item = CustodyItem {
            number: "N".to_owned(),
            what: "w".repeat(300),
            ..CustodyItem::default()
        };
        custody::form(&CustodyForm {
            paper: Paper::Letter,
            programme: "P".to_owned(),
            invented: None,
            from: None,
            to: None,
            when: None,
            place: None,
            purpose: None,
            items: vec![item; count],
            blank_rows,
            made: made(),
        })
    };
    assert_eq!(pages(&form(0, 0).unwrap()), 1);
    assert!(pages(&form(30, 0).unwrap()) > 1);
    assert_eq!(form(3, 1).unwrap(), form(3, 1).unwrap());
    assert!(refusal(form(1, usize::MAX)).contains("at most 2000"));
}

#[test]
fn the_notice_stays_on_one_page_however_long_its_words_are() {
    for paper in [Paper::A4, Paper::Letter] {
        let most = Some("W".repeat(120));
        let mut input = DoorNotice {
            paper,
            programme: "W".repeat(120),
            invented: most.clone(),
            trap: most.clone(),
            place: most.clone(),
            phone: most.clone(),
            office: most.clone(),
            visits_en: most.clone(),
            visits_es: most,
            made: made(),
        };
        let pdf = notice::door(&input).unwrap();
        assert_eq!(pages(&pdf), 1);
        assert_eq!(pdf, notice::door(&input).unwrap());
        input.office = Some("W".repeat(121));
        let told = refusal(notice::door(&input));
        assert!(told.contains("the office is 121 characters long"), "{told}");
    }
}

#[test]
fn every_prompt_of_the_safety_sheet_has_a_source() {
    assert!(
        PROMPTS
            .iter()
            .all(|prompt| !prompt.source.is_empty() && !prompt.words.contains("  "))
    );
    let input = CrewSafety {
        paper: Paper::Letter,
        programme: "P".to_owned(),
        invented: None,
        crew: None,
        emergency: None,
        supervisor: None,
        hospital: None,
        power: None,
        check_ins: Vec::new(),
        own: Vec::new(),
        made: made(),
    };
    let pdf = safety::sheet(&input).unwrap();
    assert_eq!(pages(&pdf), 1);
    assert_eq!(pdf, safety::sheet(&input).unwrap());
}
