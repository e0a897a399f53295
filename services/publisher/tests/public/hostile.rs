use plant::{Fault, State, UnmappedTopic, Zone};

use crate::{ask, fleet};

/// Closes attributes, elements and comments, opens a script, and brings controls and direction marks along.
const HOSTILE: &str = "\"'><script>alert(1)</script><!--<img src=x onerror=alert(2)>&lt;\u{202e}";

#[tokio::test]
async fn texts_from_outside_never_become_markup() {
    let mut snapshot = fleet::snapshot();
    // Ids take any text without '/', '+', '#' and controls.
    let id = "\"'><b onclick=alert(1)>&amp;";
    let mut score = fleet::score(id, id, State::Ok, HOSTILE);
    score.model = HOSTILE.to_owned();
    score.risks = fleet::scores().swap_remove(4).risks;
    score.drivers = fleet::scores().swap_remove(4).drivers;
    score.drivers[0].text = HOSTILE.to_owned();
    score.drivers[0].name = HOSTILE.to_owned();
    snapshot.scores.push(score);
    snapshot.scores.push(fleet::score("C-120", "T-120", State::Stale, HOSTILE));

    let mut detail = fleet::tube();
    detail.tube.tube = fleet::tube_id(id);
    detail.tube.surface = HOSTILE.to_owned();
    detail.tube.note = Some(HOSTILE.to_owned());
    detail.unit = Some(fleet::unit_id(id));
    detail.findings[0].note = Some(HOSTILE.to_owned());
    detail.findings[0].inspector = Some(HOSTILE.to_owned());
    detail.findings[1].zone = Some(Zone(HOSTILE.to_owned()));
    detail.work[0].note = Some(HOSTILE.to_owned());
    detail.fittings[0].unit = fleet::unit_id(id);
    let grade = plant::Grade::CATCH;
    detail.looks[1].stations.insert((Zone(HOSTILE.to_owned()), plant::ClockPosition::Six), grade);
    snapshot.tubes.insert(detail.tube.tube.clone(), detail);

    let fault = Fault {
        reason: HOSTILE.to_owned(),
        count: 1,
        first: fleet::now(),
        last: fleet::now(),
        sample: HOSTILE.to_owned(),
    };
    let signal = &mut snapshot.signals[0];
    (signal.topic, signal.value, signal.raw) = (HOSTILE.to_owned(), HOSTILE.to_owned(), HOSTILE.to_owned());
    signal.measure = HOSTILE.to_owned();
    signal.unit = fleet::unit_id(id);
    signal.faults.push(fault.clone());
    snapshot.faults.push(fault);
    let topic = UnmappedTopic { topic: HOSTILE.to_owned(), count: 1, last: fleet::now(), sample: HOSTILE.to_owned() };
    snapshot.unmapped.push(topic);
    snapshot.link.error = Some(HOSTILE.to_owned());
    snapshot.link.connected = false;
    snapshot.journal.error = Some(HOSTILE.to_owned());

    let model = &mut snapshot.models[0];
    (model.name, model.verdict, model.why) = (HOSTILE.to_owned(), Some(HOSTILE.to_owned()), Some(HOSTILE.to_owned()));
    (model.notes, model.decided_by) = (vec![HOSTILE.to_owned()], Some(HOSTILE.to_owned()));
    model.contenders[0].forecast = HOSTILE.to_owned();
    model.terms[0].name = HOSTILE.to_owned();
    let doubt = &mut snapshot.suspicions.doubts[1];
    (doubt.what, doubt.check, doubt.tube) = (HOSTILE.to_owned(), HOSTILE.to_owned(), Some(fleet::tube_id(id)));
    doubt.units = vec![fleet::unit_id(id)];
    for campaign in &mut snapshot.campaigns {
        campaign.product = HOSTILE.to_owned();
    }

    let encoded = "%22%27%3E%3Cb%20onclick%3Dalert(1)%3E%26amp%3B";
    for (uri, times) in [
        ("/", 4),
        (&*format!("/tubes/{encoded}"), 10),
        ("/signals", 10),
        ("/models", 8),
        ("/suspicions", 2),
        ("/tubes/%22%3E%3Cscript%3E", 0),
    ] {
        let page = ask(snapshot.clone(), "GET", uri).await.body;
        for markup in ["<script", "<img src=x", "<b onclick", "<!--", "'>", "&amp;\u{202e}"] {
            assert!(!page.contains(markup), "{uri}: {markup:?} came through");
        }
        // It must be there, in an escaped form; otherwise this test would prove nothing.
        assert!(page.matches("alert(2)").count() >= times, "{uri}: {}", page.matches("alert(2)").count());
    }
    let mut written = snapshot.clone();
    written.tubes.retain(|tube, _| tube.as_str() == id);
    for detail in written.tubes.values_mut() {
        detail.tube.surface = "stainless".to_owned();
        detail.unit = Some(fleet::unit_id("C-101"));
        detail.findings.iter_mut().for_each(|finding| finding.tube = fleet::tube_id(id));
    }
    let desk = crate::desk::Desk::written_down(written).await;
    let list = desk.ask("GET", "/findings", &[], "").await.body;
    for markup in ["<script", "<img src=x", "<b onclick", "<!--"] {
        assert!(!list.contains(markup), "{markup:?} came through");
    }
    assert!(list.matches("alert(2)").count() >= 2, "{list}");
    // The form has a script of its own.
    let form = ask(snapshot.clone(), "GET", "/findings/new").await.body;
    for markup in ["<script>", "<img src=x", "<b onclick", "<!--"] {
        assert!(!form.contains(markup), "{markup:?} came through");
    }
    assert!(form.matches("alert(1)").count() > 5 && form.matches("<script").count() == 1, "{form}");
    for path in [
        &*format!("/charts/tubes/{encoded}.svg"),
        &format!("/charts/tubes/{encoded}/walls.svg"),
        &format!("/charts/tubes/{encoded}/life.svg"),
        "/charts/board.svg",
    ] {
        let svg = ask(snapshot.clone(), "GET", path).await.body;
        assert!(!svg.contains("<b") && !svg.contains("<script") && !svg.contains("<!--"), "{svg}");
        assert!(svg.contains("alert(1)"), "{svg}");
    }
    let empty = publisher::Snapshot { scores: vec![], ..snapshot };
    let page = ask(empty, "GET", "/").await.body;
    assert!(page.contains("alert(1)") && !page.contains("<script"));
}

#[tokio::test]
async fn what_a_request_says_is_escaped_and_cut() {
    let long = "x".repeat(5000);
    for uri in ["/tubes/%3Cscript%3E", "/%3Cscript%3E", &format!("/tubes/{long}"), &format!("/{long}")] {
        let page = ask(fleet::snapshot(), "GET", uri).await.body;
        assert!(!page.contains("<script"), "{uri}");
        assert!(page.len() < 2000, "{uri}");
    }
}
