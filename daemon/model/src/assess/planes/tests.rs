use super::*;
use Plane::{Oblique, Sagittal, Transverse, Unspecified};

fn eye(planes: &[Plane]) -> Vec<Reading> {
    let um = 5000_i64..;
    planes
        .iter()
        .zip(um)
        .map(|(&plane, um)| Reading { um, plane })
        .collect()
}

fn eyes(right: &[Plane], left: &[Plane]) -> PerEye<EyePlanes> {
    PerEye {
        right: EyePlanes::of(&eye(right)),
        left: EyePlanes::of(&eye(left)),
    }
}

fn chosen(today: PerEye<EyePlanes>, baseline: &[PerEye<EyePlanes>]) -> Option<Vec<Plane>> {
    choose(&today, baseline).map(Choice::planes)
}

#[test]
fn most_baseline_exams_then_more_planes_then_the_alphabet() {
    let both = || eyes(&[Transverse, Sagittal], &[Transverse, Sagittal]);
    let transverse = || eyes(&[Transverse], &[Transverse]);
    let sagittal = || eyes(&[Sagittal], &[Sagittal]);
    assert_eq!(
        chosen(both(), &[transverse(), transverse(), sagittal()]),
        Some(vec![Transverse])
    );
    assert_eq!(
        chosen(both(), &[both(), both()]),
        Some(vec![Sagittal, Transverse])
    );
    assert_eq!(
        chosen(both(), &[both(), transverse()]),
        Some(vec![Transverse])
    );
    assert_eq!(
        chosen(both(), &[transverse(), sagittal()]),
        Some(vec![Sagittal])
    );
    assert_eq!(chosen(transverse(), &[sagittal()]), None);
    let three = eyes(&[Transverse, Sagittal, Oblique], &[]);
    let pairs = [
        eyes(&[Oblique, Transverse], &[]),
        eyes(&[Sagittal, Oblique], &[]),
    ];
    assert_eq!(chosen(three, &pairs), Some(vec![Oblique]));
    assert_eq!(chosen(three, &pairs[..1]), Some(vec![Oblique, Transverse]));
}

#[test]
fn exams_without_planes_always_qualify() {
    let unknown = || eyes(&[Unspecified], &[Unspecified]);
    let today = eyes(&[Transverse, Sagittal], &[Transverse, Sagittal]);
    assert_eq!(
        chosen(today, &[unknown()]),
        Some(vec![Sagittal, Transverse])
    );
    assert_eq!(choose(&unknown(), &[today]), Some(Choice::All));
    assert!(mixed([today, unknown()].iter()));
    assert!(!mixed([today, today].iter()));
    assert!(!mixed([unknown(), unknown()].iter()));
    assert!(mixed([eyes(&[Transverse, Unspecified], &[])].iter()));
}

/// One eye in fewer planes: the planes that keep both eyes win over more baseline exams.
#[test]
fn no_eye_of_today_is_left_out_if_that_can_be() {
    let today = eyes(&[Transverse], &[Transverse, Sagittal]);
    let transverse = eyes(&[Transverse], &[Transverse]);
    let sagittal = eyes(&[Sagittal], &[Sagittal]);
    assert_eq!(
        chosen(today, &[sagittal, sagittal, transverse]),
        Some(vec![Transverse])
    );
    assert_eq!(chosen(today, &[sagittal, sagittal]), Some(vec![Sagittal]));
}

#[test]
fn only_the_chosen_planes_are_summarised() {
    let readings = eye(&[Transverse, Sagittal, Transverse, Unspecified]);
    let transverse = Choice::Only(PlaneSet::of([Transverse].into_iter()));
    assert_eq!(transverse.groups(&readings), [vec![5000, 5002]]);
    assert_eq!(Choice::All.groups(&readings).len(), 3);
    // An eye without the plane gives nothing; one without any plane gives all it has.
    assert!(transverse.groups(&eye(&[Sagittal])).is_empty());
    assert_eq!(
        transverse.groups(&eye(&[Unspecified; 2])),
        [vec![5000, 5001]]
    );
    assert!(transverse.restricts(&eyes(&[Transverse, Sagittal], &[])));
    assert!(!transverse.restricts(&eyes(&[Transverse], &[Unspecified])));
}
