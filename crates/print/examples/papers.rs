//! Writes one of each paper into a folder: `cargo run -p earlywood-print --example papers -- FOLDER`. Also what the Python
//! tests read back. The district and its people are invented.

use std::path::PathBuf;

use earlywood_print::custody::{self, CustodyForm, CustodyItem};
use earlywood_print::labels::{self, TrapLabel, TrapLabels};
use earlywood_print::notice::{self, DoorNotice};
use earlywood_print::safety::{self, CrewSafety};
use earlywood_print::specimens::{self, SpecimenLabels};
use earlywood_print::stock::{LabelSheet, NAMES, Paper};
use jiff::civil::date;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = PathBuf::from(std::env::args().nth(1).ok_or("name a folder")?);
    std::fs::create_dir_all(&folder)?;
    let write = |name: &str, bytes: Vec<u8>| std::fs::write(folder.join(format!("{name}.pdf")), bytes);
    let made = date(2025, 6, 1).at(8, 30, 0, 0);
    let programme = "Lindenau District pest watch".to_owned();
    let invented = Some("Invented data".to_owned());
    let hard = [
        "T-0001",
        "#eval(\"x\")",
        "*a*",
        "Ñandú-Ångström_7",
        "A-very-long-trap-label-that-someone-loaded-0000001",
    ];
    for (name, _) in NAMES {
        let sheet: LabelSheet = name.parse()?;
        let traps = (0..30).map(|i| TrapLabel {
            label: hard
                .get(i)
                .map_or_else(|| format!("T-{:04}", i + 1), |label| (*label).to_owned()),
            number: None,
            note: Some("Mill Lane, between two ashes".to_owned()),
        });
        let call = Some("555 0100, plant health office".to_owned());
        let start_at = if sheet.per_page() > 2 { 3 } else { 1 };
        let traps = traps.collect();
        let input = TrapLabels {
            sheet,
            start_at,
            programme: programme.clone(),
            call,
            invented: invented.clone(),
            traps,
            made,
        };
        write(&format!("traps-{name}"), labels::traps(&input)?)?;
    }
    let sheet = "letter-67x25".parse()?;
    let (year, first, count, copies) = (2025, 123, 20, 3);
    let input = SpecimenLabels {
        sheet,
        start_at: 1,
        programme: programme.clone(),
        invented: invented.clone(),
        year,
        first,
        count,
        copies,
        made,
    };
    write("specimens", specimens::series(&input)?)?;
    for (name, count) in [("custody-blank", 0_u32), ("custody-3", 3), ("custody-200", 200)] {
        let items = (0..count).map(|i| {
            let number = specimens::number(2025, i + 1)?;
            let what = if i == 1 {
                "*b* #eval(\"y\") Verylongwordwithoutanyblankthatgoesonandonandon".to_owned()
            } else {
                "beetle, trap T-0012".to_owned()
            };
            Ok(CustodyItem {
                number,
                what,
                taken: Some("2025-05-30".to_owned()),
                containers: Some(1),
            })
        });
        let given = |text: &str| (count > 0).then(|| text.to_owned());
        let input = CustodyForm {
            paper: Paper::A4,
            programme: programme.clone(),
            invented: invented.clone(),
            from: given("Ana Ibáñez-Müller, crew North"),
            to: given("Identifier's laboratory"),
            when: given("2025-06-01 16:40"),
            place: given("district office"),
            purpose: given("identification"),
            items: items.collect::<Result<_, earlywood_print::PrintError>>()?,
            blank_rows: 0,
            made,
        };
        write(name, custody::form(&input)?)?;
    }
    let given = |text: &str| Some(text.to_owned());
    let mut input = DoorNotice {
        paper: Paper::Letter,
        programme: programme.clone(),
        invented: invented.clone(),
        trap: given("T-0001"),
        place: given("the ash at the drive"),
        phone: given("555 0100"),
        office: given("Plant health office, 1 Market Square, Lindenau"),
        visits_en: given("about every two weeks"),
        visits_es: given("cada dos semanas, más o menos"),
        made,
    };
    write("notice", notice::door(&input)?)?;
    input = DoorNotice {
        trap: None,
        place: None,
        phone: None,
        office: None,
        visits_en: None,
        visits_es: None,
        paper: Paper::A4,
        ..input
    };
    write("notice-blank", notice::door(&input)?)?;
    let mut input = CrewSafety {
        paper: Paper::A4,
        programme,
        invented,
        crew: None,
        emergency: None,
        supervisor: None,
        hospital: None,
        power: None,
        check_ins: Vec::new(),
        own: Vec::new(),
        made,
    };
    write("safety-blank", safety::sheet(&input)?)?;
    input.crew = given("North");
    input.emergency = given("555 0199");
    input.check_ins = vec!["10:00".to_owned(), "13:00".to_owned(), "16:00".to_owned()];
    input.own = vec!["Radio channel 3 in the gorge: no telephone there.".to_owned()];
    write("safety", safety::sheet(&input)?)?;
    Ok(())
}
