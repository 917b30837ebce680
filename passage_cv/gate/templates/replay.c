/* Reads "views hold_reason unfamiliarity logits..." a line, writes "action reason score": the C header of a gate
 * package answering cases. Numbers travel as C99 hexadecimal, so that none is rounded on the way. */
#include <stdio.h>
#include PASSAGE_GATE

#define MOST_VIEWS 64

int main(void)
{
    static double logits[PASSAGE_GATE_CLASSES * MOST_VIEWS];
    double unfamiliarity;
    int views, hold_reason, i;
    while (scanf("%d %d %la", &views, &hold_reason, &unfamiliarity) == 3) {
        passage_gate_verdict verdict;
        if (views > MOST_VIEWS) {
            return 3;
        }
        for (i = 0; i < views * PASSAGE_GATE_CLASSES; i++) {
            if (scanf("%la", &logits[i]) != 1) {
                return 2;
            }
        }
#ifdef WITH_UNFAMILIARITY
        verdict = passage_gate_decide(logits, views, unfamiliarity, hold_reason);
#else
        verdict = passage_gate_decide(logits, views, hold_reason);
#endif
        printf("%d %d %a\n", verdict.action, verdict.reason, verdict.score);
    }
    return 0;
}
