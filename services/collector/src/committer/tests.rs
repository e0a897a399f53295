//! Groups, room for acknowledgements, and commits without an answer.

use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use plant::{Signal, SystemClock, UnitId};
use tokio::time::timeout;

use super::*;
use crate::belief::Belief;
use crate::decode::Limits;
use crate::mapping::{Mapping, TopicMap};
use crate::pattern::Pattern;
use crate::payload::Payload;

fn terms() -> Terms {
    let mapping = Mapping::new(Pattern::parse("p/{unit}").unwrap(), Signal::Torque, Payload::Number);
    let map = TopicMap::new(vec![mapping], [UnitId::new("C1").unwrap()]).unwrap();
    Terms { map, belief: Belief::default(), ask_rebirth: false }
}

fn delivery(window: &Mutex<Window<u32>>, number: u32) -> Delivery {
    let content = Content {
        topic: "p/C1".into(),
        payload: number.to_string().into_bytes(),
        retained: false,
        backlog: false,
        connection: 0,
        arrived_at: "2026-03-31T06:00:00Z".parse().unwrap(),
        set_back: SignedDuration::ZERO,
    };
    Delivery { ticket: Some(window.lock().unwrap().receive(number)), content: Some(content) }
}

struct Bench {
    window: Arc<Mutex<Window<u32>>>,
    /// Sizes of the commits.
    commits: Arc<Mutex<Vec<usize>>>,
    acks: Arc<Mutex<Vec<u32>>>,
    room: Arc<AtomicBool>,
    queue: mpsc::Sender<Delivery>,
    stop: watch::Sender<bool>,
    task: tokio::task::JoinHandle<()>,
}

/// A committer that expects 20 messages, on a queue of 4, with acknowledgements that need `room`.
fn bench() -> Bench {
    let window = Arc::new(Mutex::new(Window::new()));
    let commits = Arc::new(Mutex::new(Vec::new()));
    let acks = Arc::new(Mutex::new(Vec::new()));
    let room = Arc::new(AtomicBool::new(true));
    let (queue, mut from) = mpsc::channel(4);
    let (stop, told) = watch::channel(false);
    let task = tokio::spawn({
        let (window, commits, acks, room) = (window.clone(), commits.clone(), acks.clone(), room.clone());
        async move {
            let committer = Committer {
                decoder: Decoder::new(terms().map, Limits::USUAL),
                terms: terms().for_good(),
                retune: |_: &Terms| {},
                window: &window,
                expected: 20,
                batch: 100,
                commit: |readings: Arc<[Reading]>| {
                    commits.lock().unwrap().push(readings.len());
                    async move { Ok::<_, String>(Committed { new: readings.len() as u64, duplicates: 0 }) }
                },
                answer_within: Duration::from_secs(60),
                acknowledge: |number: &u32| {
                    let open = room.load(Ordering::SeqCst);
                    if open {
                        acks.lock().unwrap().push(*number);
                    }
                    open
                },
                held_up: || {},
                request: |_| {},
                arrivals: &Arrivals::new(),
                clock: &SystemClock,
            };
            committer.run(&mut from, told).await;
        }
    });
    Bench { window, commits, acks, room, queue, stop, task }
}

#[tokio::test]
async fn a_group_gathers_the_window_and_a_lone_message_does_not_wait_for_it() {
    let bench = bench();
    for number in 0..20 {
        bench.queue.send(delivery(&bench.window, number)).await.unwrap();
    }
    while bench.acks.lock().unwrap().len() < 20 {
        tokio::task::yield_now().await;
    }
    assert!(bench.commits.lock().unwrap().len() <= 2, "{:?}", bench.commits.lock().unwrap());
    bench.queue.send(delivery(&bench.window, 20)).await.unwrap();
    let lone = async {
        while bench.acks.lock().unwrap().len() < 21 {
            sleep(Duration::from_millis(1)).await;
        }
    };
    timeout(Duration::from_secs(1), lone).await.expect("a lone message waited for a window that nobody fills");
}

/// The database is there again when it is asked once more.
#[tokio::test]
async fn a_commit_without_an_answer_is_tried_again() {
    let (window, arrivals, calls, acks) =
        (Mutex::new(Window::new()), Arrivals::new(), AtomicU32::new(0), AtomicU32::new(0));
    let (queue, mut from) = mpsc::channel(4);
    let (_stop, stopped) = watch::channel(false);
    queue.send(delivery(&window, 7)).await.unwrap();
    let committer = Committer {
        decoder: Decoder::new(terms().map, Limits::USUAL),
        terms: terms().for_good(),
        retune: |_: &Terms| {},
        window: &window,
        expected: 1,
        batch: 100,
        commit: |readings: Arc<[Reading]>| {
            let first = calls.fetch_add(1, Ordering::SeqCst) == 0;
            async move {
                if first {
                    std::future::pending::<()>().await;
                }
                Ok::<_, String>(Committed { new: 0, duplicates: readings.len() as u64 })
            }
        },
        answer_within: Duration::from_millis(300),
        acknowledge: |_: &u32| acks.fetch_add(1, Ordering::SeqCst) == 0,
        held_up: || {},
        request: |_| {},
        arrivals: &arrivals,
        clock: &SystemClock,
    };
    let watched = async {
        while arrivals.link().commit_error.is_none() {
            assert_eq!(acks.load(Ordering::SeqCst), 0);
            sleep(Duration::from_millis(5)).await;
        }
        let error = arrivals.link().commit_error.unwrap().error;
        while acks.load(Ordering::SeqCst) == 0 {
            sleep(Duration::from_millis(5)).await;
        }
        error
    };
    let error = tokio::select! {
        () = committer.run(&mut from, stopped) => panic!("nobody told it to stop"),
        error = timeout(Duration::from_secs(5), watched) => error.expect("it is not tried again"),
    };
    assert!(error.contains("no answer within 300ms"), "{error}");
    assert_eq!((calls.load(Ordering::SeqCst), arrivals.link().commit_error), (2, None));
}

/// A broker that floods after a reconnection: the connection waits for the queue, and so makes no room for acks.
#[tokio::test]
async fn without_room_for_acks_the_queue_is_still_emptied() {
    let bench = bench();
    bench.room.store(false, Ordering::SeqCst);
    let flood = async {
        for number in 0..500 {
            bench.queue.send(delivery(&bench.window, number)).await.unwrap();
        }
    };
    timeout(Duration::from_secs(5), flood).await.expect("the queue and the acks wait for each other");
    bench.room.store(true, Ordering::SeqCst);
    bench.stop.send_replace(true);
    bench.task.await.unwrap();
    assert_eq!(*bench.acks.lock().unwrap(), Vec::from_iter(0..500));
}

/// What the watchdog lives on: idle is alive, a commit that never ends is not, however often it is tried again.
#[tokio::test]
async fn a_commit_that_hangs_gives_no_sign_of_life_and_waiting_for_messages_does() {
    let (window, arrivals) = (Mutex::new(Window::new()), Arrivals::new());
    let (queue, mut from) = mpsc::channel(4);
    let (_stop, told) = watch::channel(false);
    let committer = Committer {
        decoder: Decoder::new(terms().map, Limits::USUAL),
        terms: terms().for_good(),
        retune: |_: &Terms| {},
        window: &window,
        expected: 20,
        batch: 100,
        commit: |_| std::future::pending::<Result<Committed, String>>(),
        answer_within: Duration::from_millis(500),
        acknowledge: |_: &u32| true,
        held_up: || {},
        request: |_| {},
        arrivals: &arrivals,
        clock: &SystemClock,
    };
    let idle = async {
        sleep(Duration::from_millis(2500)).await;
        assert!(arrivals.storing.silent_for() < Duration::from_secs(2), "it waits, and seems to hang");
        queue.send(delivery(&window, 1)).await.unwrap();
        sleep(Duration::from_millis(2500)).await;
        assert!(arrivals.storing.silent_for() > Duration::from_secs(2), "it hangs, and seems to work");
    };
    tokio::select! {
        () = committer.run(&mut from, told) => panic!("nobody told it to stop"),
        () = idle => {}
    }
}
